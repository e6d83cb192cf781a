"""The report to the family."""
