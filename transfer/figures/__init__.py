"""One figure per file; the frame is prepared apart from the drawing."""
