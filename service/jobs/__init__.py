"""Work that must not be lost: measuring what a family sent, and deleting photos on their day."""
