"""Charted attempts: schema, reading, checking, and the cells that models use."""
