"""The practice trial: design it, draw the lot, read the result."""
