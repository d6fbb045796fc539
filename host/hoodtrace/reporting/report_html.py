"""The report as one self-contained page: no script of its own, nothing fetched, names escaped, pictures inside.

The facts lie in it as JSON in a block that no browser runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

from hoodtrace.reporting.pdf import TEMPLATES

if TYPE_CHECKING:
    from jinja2 import Template

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
"""What the page may do: draw itself, and nothing else."""


def page_of(data: Mapping[str, Any], pictures: Mapping[str, bytes], facts: str) -> bytes:
    """Return the page of `data`; `facts` is JSON, `pictures` are SVG by name."""
    from markupsafe import Markup

    drawn = {name: Markup(svg.decode("utf-8")) for name, svg in pictures.items()}  # ours, not typed by anybody
    css = Markup((TEMPLATES / "report.css").read_text(encoding="utf-8"))
    # No "<" inside: nothing in it can end the block or begin a comment.
    inside = Markup(facts.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))
    page = _template().render(data=data, pictures=drawn, css=css, facts=inside, policy=POLICY)
    return page.encode("utf-8")


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    found = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return found.get_template("report.html")
