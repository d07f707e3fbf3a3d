"""Sphinx configuration."""

from seeworthy import __version__

project = "Seeworthy"
author = "The Seeworthy developers"
copyright = "2026, The Seeworthy developers"
version = release = __version__
extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.napoleon",
    "sphinx.ext.apidoc",
]
apidoc_modules = [
    {
        "path": "../src/seeworthy",
        "destination": "api",
        "max_depth": 3,
        "separate_modules": False,
        "module_first": True,
        # What others build on. The folders of single tests, pages, commands and the demo are
        # read in their source: a third of a million lines of HTML took longer than it was worth.
        "exclude_patterns": [
            "**/migrations/**",
            "**/migrations",
            "**/seeworthy/procedures/*/**",
            "**/seeworthy/web",
            "**/seeworthy/cli",
            "**/seeworthy/demo",
            "**/seeworthy/virtual",
        ],
    }
]
toc_object_entries = False  # every page would hold the names of all
autodoc_member_order = "bysource"
# Types of a field list are looked for among all names, each by going through them all; those of a
# signature are looked up.
autodoc_typehints = "signature"
toc_object_entries = False  # else every page carries the names of all
autodoc_inherit_docstrings = False
napoleon_numpy_docstring = False
napoleon_google_docstring = True
napoleon_use_ivar = True
myst_enable_extensions = ["deflist"]
myst_heading_anchors = 3
exclude_patterns = ["_build"]
html_theme = "alabaster"
html_theme_options = {"description": "The test bench for small flying cameras"}
# A page that loads nothing from another host.
html_js_files: list[str] = []
suppress_warnings = ["myst.xref_missing", "ref.python", "ref.ref", "myst.header"]
