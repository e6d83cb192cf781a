"""What is remembered: records in one SQLite file, photos encrypted in a folder."""
