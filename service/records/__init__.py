"""What is remembered: records in a database, photos encrypted beside it."""
