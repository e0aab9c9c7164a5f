"""Equations as MathML: readable without a script, a font or a network.

The converter is the one that ships with docutils. An equation that it cannot read is an error of
the build, not a gap on the page.
"""

from __future__ import annotations

import html
import re
import xml.etree.ElementTree as ET
from typing import Any

from docutils import nodes
from docutils.utils.math import MathError, latex2mathml
from sphinx.errors import ExtensionError

ACCENTS = set("\u02c9\u0304\u00af^\u02c6\u0302")


def accents_first(mathml: str) -> str:
    """Put an index beside a letter with a bar or a hat, where docutils puts it below."""
    # Named characters of HTML, which plain XML does not know.
    named = re.sub(r"&(?!lt;|gt;|amp;|quot;)\w+;", lambda found: html.unescape(found[0]), mathml)
    root = ET.fromstring(named)
    tag = root.tag.removesuffix("math")  # the namespace, as ElementTree writes it
    for found in root.iter(f"{tag}munderover"):
        letter, index, accent = list(found)
        if (accent.text or "") in ACCENTS:
            topped = ET.Element(f"{tag}mover")
            topped.extend([letter, accent])
            for child in (letter, index, accent):
                found.remove(child)
            found.tag = f"{tag}msub"
            found.extend([topped, index])
    ET.register_namespace("", tag.strip("{}"))
    return ET.tostring(root, encoding="unicode")


def _convert(node: nodes.Element, as_block: bool) -> str:
    try:
        return accents_first(latex2mathml.tex2mathml(node.astext(), as_block=as_block))
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
