"""Hierarchical models, their priors, sampling, diagnostics and storage."""
