"""How the service holds under load, with real photos and real processes: ``python -m tests.load``."""
