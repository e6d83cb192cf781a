"""From what is seen of an instrument to its lengths."""
