"""The starter rule table as reviewed text, one file a station, and the demo cases. Data only."""
