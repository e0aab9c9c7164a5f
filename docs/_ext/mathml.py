"""Equations as MathML: readable without a script, a font or a network.

The converter is the one that ships with docutils. An equation that it cannot read is an error of
the build, not a gap on the page.
"""

from __future__ import annotations

from typing import Any

from docutils import nodes
from docutils.utils.math import MathError, latex2mathml
from sphinx.errors import ExtensionError


def _convert(node: nodes.Element, as_block: bool) -> str:
    try:
        return latex2mathml.tex2mathml(node.astext(), as_block=as_block)
    except (MathError, SyntaxError) as error:
        raise ExtensionError(f"equation not understood: {node.astext()!r}: {error}") from error


def inline(translator: Any, node: nodes.Element) -> None:
    """Write an equation inside a line."""
    translator.body.append(_convert(node, as_block=False))
    raise nodes.SkipNode


def block(translator: Any, node: nodes.Element) -> None:
    """Write an equation on lines of its own."""
    translator.body.append(f'<div class="math">{_convert(node, as_block=True)}</div>')
    raise nodes.SkipNode


def setup(app: Any) -> dict[str, Any]:
    """Register the renderer with Sphinx."""
    app.add_html_math_renderer("mathml", (inline, None), (block, None))
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
