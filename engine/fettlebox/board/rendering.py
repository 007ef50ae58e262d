"""Templates: every value is escaped; characters that could turn the text around them are shown as marks."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from ..traveler.html import Markup, text
from ..traveler.look import CSS, DAY, NIGHT
from ..traveler.page import WORDS
from ..traveler.turning import turning_source
from ..traveler.wording import named, shown

HERE = Path(__file__).parent
TEMPLATES, STATIC = HERE / "templates", HERE / "static"


@cache
def _environment() -> Any:
    import jinja2
    import markupsafe

    def safe(value: Any) -> Any:
        """Markup of ours stays as it is; everything else is escaped here, as a traveler's text is."""
        if isinstance(value, (Markup, markupsafe.Markup, jinja2.Undefined)):
            return markupsafe.Markup(value)
        return markupsafe.Markup(text("" if value is None else value))

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        finalize=safe,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(words=WORDS, named=named, shown=shown, asset=asset)
    environment.filters.update(when=when, bytes=in_bytes)
    return environment


def render(request: Request, name: str, content: Mapping[str, Any], *, status: int = 200) -> HTMLResponse:
    """A page. What every page needs to know of its reader is added here."""
    person = getattr(request.state, "person", None)
    everything = {
        **content,
        "person": person,
        "may": "" if person is None else person.may.word,
        "form_token": "" if person is None else person.form_token or "",
        "path": request.url.path,
    }
    return HTMLResponse(_environment().get_template(name).render(everything), status)


def when(value: str | None) -> str:
    """A time as lists show it: to the minute, UTC."""
    if not value:
        return ""
    try:
        return datetime.fromisoformat(value).strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return value


def in_bytes(count: int) -> str:
    size = float(count)
    for unit in ("bytes", "kB", "MB"):
        if size < 1000:
            return f"{size:.3g} {unit}"
        size /= 1000
    return f"{size:.3g} GB"


@cache
def assets() -> dict[str, tuple[str, bytes]]:
    """Everything under /static/: a closed list, made once, with its media type."""
    variables = "".join(
        f"--{name}:{value};" for name, value in {**DAY, "bar": "#5d7f8e", "focus": "#1d4f8f"}.items()
    )
    night = "".join(
        f"--{name}:{value};" for name, value in {**NIGHT, "bar": "#7fa3b3", "focus": "#9cc4f2"}.items()
    )
    themes = f":root{{{variables}}}@media screen and (prefers-color-scheme:dark){{:root{{{night}}}}}"
    look = CSS + themes + (STATIC / "board.css").read_text("utf-8")
    return {
        "board.css": ("text/css; charset=utf-8", look.encode()),
        "board.js": ("text/javascript; charset=utf-8", (STATIC / "board.js").read_bytes()),
        "drop.js": ("text/javascript; charset=utf-8", (STATIC / "drop.js").read_bytes()),
        "turning.js": ("text/javascript; charset=utf-8", turning_source().encode()),
        "icon.svg": ("image/svg+xml", (STATIC / "icon.svg").read_bytes()),
    }


@cache
def asset(name: str) -> str:
    """The address of an asset; it changes with its content, so that it may be kept for long."""
    return f"/static/{name}?{sha256(assets()[name][1]).hexdigest()[:12]}"
