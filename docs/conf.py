"""Sphinx settings: no network at build time or when the pages are read, warnings are errors."""

from __future__ import annotations

import sys
from importlib.metadata import version as installed_version
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE / "_ext"))

import collect  # noqa: E402

collect.everything(HERE.parent, HERE / "copied")

project = "transfer"
author = "The transfer maintainers"
copyright = "The transfer maintainers, MIT License"
release = installed_version("practice-transfer")

extensions = ["myst_nb", "numpydoc", "sphinx.ext.autodoc", "mathml", "docstrings"]
exclude_patterns = ["_build", "_ext", "conf.py"]
default_role = "code"
nitpicky = False

# Notebooks are shown as text and run as tests (tests/test_notebooks.py), never here.
nb_execution_mode = "off"
nb_custom_formats = {".py": "collect.notebook"}
nb_ipywidgets_js: dict[str, dict[str, str]] = {}
myst_enable_extensions = ["deflist", "dollarmath"]
myst_heading_anchors = 3
# Equations become MathML while building: no script, no web font.
html_math_renderer = "mathml"

autodoc_member_order = "bysource"
autodoc_typehints = "signature"
# Two rooms may each have a class of one name; Sphinx links the first and says so.
suppress_warnings = ["ref.python"]
numpydoc_show_class_members = False

html_theme = "alabaster"
html_static_path = ["_static"]
html_css_files = ["own.css"]
html_theme_options = {
    "description": "Does practice shooting show up in games?",
    "fixed_sidebar": False,
    "show_powered_by": False,
    "page_width": "1040px",
    "sidebar_width": "230px",
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}
html_show_sourcelink = False
html_copy_source = False
