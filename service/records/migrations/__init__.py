"""Steps that bring the tables up to date."""
