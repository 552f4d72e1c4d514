"""A page as one HTML text: template, style, script and data in it, and nothing fetched from anywhere.

The content policy in its head allows only the one style and the one script whose hashes it names, and no network at
all: a name with markup in it is text, whatever a template forgets.
"""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

if TYPE_CHECKING:
    from collections.abc import Mapping

HERE = Path(__file__).parent

MOST_BYTES = 4_000_000


def fill(name: str, facts: Mapping[str, Any], data: Mapping[str, Any]) -> str:
    """Fill a page.

    Parameters
    ----------
    name : str
        Of the template and of the script that draws: ``page`` is ``page.html`` and ``page.js``.
    facts : mapping
        What the template says.
    data : mapping
        What the script draws from, in JSON's types.
    """
    style, *scripts = (
        (HERE / each).read_text(encoding="utf-8").replace("\r\n", "\n")
        for each in ("page.css", "draw.js", f"{name}.js")
    )
    style, script = f"\n{style}", "\n" + "".join(scripts)
    environment = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(f"{name}.html").render(
        **facts,
        style=Markup(style),  # noqa: S704 - the project's own file
        script=Markup(script),  # noqa: S704 - the project's own file
        style_hash=_hash(style),
        script_hash=_hash(script),
        data=Markup(_embedded(data)),  # noqa: S704 - escaped for this place by _embedded
    )


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _embedded(data: Mapping[str, Any]) -> str:
    """Write JSON that may stand in a script element: no character of it can end that element or begin another."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
