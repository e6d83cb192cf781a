"""Photos into measurements: worker processes, what was seen, results."""
