"""From what is seen of an arm to its length."""
