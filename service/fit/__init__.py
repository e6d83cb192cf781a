"""The sizing trade as plain Python: measured numbers with uncertainty in, decisions with reasons out."""
