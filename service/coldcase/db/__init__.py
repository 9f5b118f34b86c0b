"""The store: PostgreSQL. SQL lives here and nowhere else. Functions take a connection and never commit."""
