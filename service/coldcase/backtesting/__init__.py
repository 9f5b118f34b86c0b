"""Rule tables tried on what is known: decisions on record, and libraries of cases."""
