"""HTML and PDF from one set of templates."""
