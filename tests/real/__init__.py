"""What the program makes of real photographs with labels: ``python -m tests.real FOLDER``."""
