"""The docs site, from the pages of this folder and the docstrings: ``sphinx-build -W docs build/site``."""

from __future__ import annotations

import twinlapse

project = "twinlapse"
author = "the twinlapse contributors"
release = version = twinlapse.__version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["build"]
html_theme = "alabaster"
html_theme_options = {
    "page_width": "1000px",
    "sidebar_width": "230px",
    "description": "time-lapse films of prints",
}
html_static_path = ["_static"]
myst_heading_anchors = 3
myst_enable_extensions = ["attrs_block"]
napoleon_google_docstring = False
napoleon_use_rtype = False
autodoc_member_order = "bysource"
autodoc_typehints = "description"
autodoc_typehints_description_target = "documented"
nitpicky = False
