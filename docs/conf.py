"""How the pages are built: `python -m sphinx -W -b html docs build/docs`. Needs no network."""

import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
sys.path.insert(0, str(HERE.parent))  # the package as it stands in this checkout

import tables_of  # noqa: E402

import searcher  # noqa: E402

project = "searcher"
author = "The searcher authors"
copyright = author
version = release = searcher.__version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "mathml"]
myst_enable_extensions = ["dollarmath", "colon_fence", "deflist"]
myst_heading_anchors = 3
myst_dmath_double_inline = True
exclude_patterns = ["**/README.md", "build", "_*"]
nitpicky = False

# docstrings name code in single backticks; signatures stay as they are written
default_role = "code"
autodoc_typehints = "signature"
autodoc_preserve_defaults = True
napoleon_google_docstring = False

html_theme = "furo"
html_title = f"searcher {version}"
html_static_path = ["static"]
html_css_files = ["searcher.css"]
html_copy_source = False
html_show_sourcelink = False


def close_examples(_app, _name, source):
    """Take out the empty line that ends the output of an example for doctest, before the fence."""
    source[0] = re.sub(r"(^```pycon\n.*?)\n\n```$", r"\1\n```", source[0], flags=re.MULTILINE | re.DOTALL)


def setup(app):
    """Write the pages that are made of the code itself before anything is read."""
    app.connect("builder-inited", lambda _: tables_of.write_pages(HERE / "reference"))
    app.connect("source-read", close_examples)
