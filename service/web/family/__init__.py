"""Pages of the family."""
