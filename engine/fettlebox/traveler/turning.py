"""The part of a traveler's page in which scan and part can be turned: markup, and the one script of the page.

The script is the same on every page; a job brings numbers only, as base64. So the page's policy can name the
script's digest, and nothing else may run.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from pathlib import Path

from .html import Later, Markup, script, tag
from .model import MAGIC, MODEL

HERE = Path(__file__).parent
THREE = HERE / "vendor" / "three.module.min.js"
LARGEST_MODEL_BYTES = 1_200_000
"""What `model.py` makes is at most 0.8 MB; anything larger is not of our making."""


def turning_view(pictures: Path, after: str = "part", later: Later | None = None) -> Markup | None:
    """The section, hidden until its script has found a way to draw; None if there is no model.

    `after` is what the scan has become; `later` takes the model, which is put into the page last.
    """
    data = _model(pictures / MODEL)
    if data is None:
        return None
    model = base64.b64encode(data).decode("ascii")
    view = tag(
        "canvas", id="turn-view", tabindex="0", role="application", aria_describedby="turn-keys",
        aria_label=f"Scan and {after} in three dimensions, to turn",
    )  # fmt: skip
    share = tag(
        "input", type="range", id="turn-share", min="0", max="100", value="50", step="1", autocomplete="off"
    )
    return tag(
        "section",
        tag("h2", f"Scan and {after}, to turn", id="turn-title"),
        tag(
            "div",
            view,
            tag("span", "scan", class_="side left"),
            tag("span", after, class_="side right"),
            tag("span", id="turn-line", class_="cut"),
            class_="stage",
        ),
        tag(
            "div",
            tag("label", f"Where the scan ends and the {after} begins", for_="turn-share"),
            share,
            tag(
                "div",
                tag("button", "Closer", type="button", id="turn-closer"),
                tag("button", "Farther", type="button", id="turn-back"),
                tag("button", "First view", type="button", id="turn-start"),
                class_="row",
            ),
            class_="reins",
        ),
        tag(
            "p",
            "Drag to turn, or choose the picture and use the arrow keys; + and − come closer and go back. "
            "A lighter copy is shown here; the delivered files are finer.",
            id="turn-keys",
            class_="quiet",
        ),
        tag("template", model if later is None else later.mark(model), id="turn-model"),
        id="turn",
        class_="turn",
        hidden=True,
        aria_labelledby="turn-title",
    )


@cache
def turning_script() -> Markup:
    """The script element that belongs at the end of the page."""
    return script(turning_source())


@cache
def script_digest() -> str:
    """The digest of the page's one script, for its policy."""
    return digest_for_policy(turning_source())


def digest_for_policy(text: str) -> str:
    """As a policy names what may stand inline (W3C, Content Security Policy Level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


@cache
def turning_source() -> str:
    """The library without its exports, the names that the view uses, and the view, in one scope."""
    library, exports = _parted(THREE.read_text("utf-8"))
    view = (HERE / "view.js").read_text("utf-8")
    names = sorted(set(re.findall(r"\bTHREE\.(\w+)", view)))
    named = ",".join(f"{name}:{exports[name]}" for name in names)
    return f'(()=>{{"use strict";\n{library}\nconst THREE={{{named}}};\n{view}}})();\n'


def _parted(module: str) -> tuple[str, dict[str, str]]:
    """A module's text before its one export, and public name → name inside."""
    start = module.rindex("export{")
    match = re.fullmatch(r"export\{([\w$ ,]+)\};?\s*", module[start:])
    if match is None:
        raise ValueError(f"{THREE.name} does not end with its exports; is it another release?")
    pairs = (entry.split(" as ") for entry in match[1].split(","))
    return module[:start], {pair[-1].strip(): pair[0].strip() for pair in pairs}


def _model(path: Path) -> bytes | None:
    try:
        if path.is_symlink() or path.stat().st_size > LARGEST_MODEL_BYTES:
            return None
        data = path.read_bytes()
    except OSError:
        return None
    return data if data.startswith(MAGIC) else None
