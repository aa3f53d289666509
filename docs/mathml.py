"""Equations as MathML, which browsers draw by themselves: no script, no font and no network is needed."""

import re

from docutils import nodes
from docutils.utils.math import MathError
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.util import logging

#: what the converter would misread without a word: \\frac12 for \\frac{1}{2}
MISREAD = re.compile(r"\\[td]?frac[^{a-z]")
log = logging.getLogger(__name__)


def to_mathml(tex: str, node: nodes.Element, *, block: bool) -> str:
    """MathML of LaTeX; what cannot be turned is a warning, and shown as it was written."""
    if MISREAD.search(tex):
        log.warning("equation %r: write \\frac{1}{2}, not \\frac12", tex, location=node)
    try:
        return tex2mathml(tex, as_block=block)
    except MathError as error:
        log.warning("equation %r: %s", tex, error, location=node)
        return f"<code>{tex}</code>"


def visit_math(self, node):
    self.body.append(to_mathml(node.astext(), node, block=False))
    raise nodes.SkipNode


def visit_math_block(self, node):
    mathml = to_mathml(node.astext(), node, block=True)
    self.body.append(f'<div class="equation" tabindex="0">{mathml}</div>\n')
    raise nodes.SkipNode


def setup(app):
    app.add_html_math_renderer("mathml", (visit_math, None), (visit_math_block, None))
    app.config.html_math_renderer = "mathml"
    return {"parallel_read_safe": True, "parallel_write_safe": True}
