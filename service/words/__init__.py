"""Words: the message catalogue and measurements as people read them."""
