"""Known sizes into millimetres: the printed sheet, the camera that saw it, and uncertainty."""
