"""Seeded generators of invented seasons whose truth is known."""
