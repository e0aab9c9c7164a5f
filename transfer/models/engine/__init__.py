"""The hand-written density of the transfer model behind one function; PyMC is the reference."""
