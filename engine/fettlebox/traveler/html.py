"""HTML that cannot be broken by what is put into it: every text is escaped where it enters."""

from __future__ import annotations

import re
from html import escape

_UNSHOWABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
"""Not allowed in HTML, or able to turn the reading direction of the text around it."""

EMPTY_ELEMENTS = frozenset({"img", "meta", "br", "input"})


class Markup(str):
    """Text that is HTML already. Only this module makes one."""

    __slots__ = ()


class Mark(Markup):
    """What stands for a long text until the page around it is whole."""

    __slots__ = ()


class Later:
    """Long texts of ours that are put into a page last, so that they are not copied with every element around
    them. No text of anybody's can hold a mark: `text` lets no such character through.
    """

    def __init__(self) -> None:
        self._kept: list[str] = []

    def mark(self, content: str) -> Mark:
        """What stands for `content`, which is Markup or needs no escaping, as base64 needs none."""
        self._kept.append(content)
        return Mark(f"\0{len(self._kept) - 1}\0")

    def filled(self, page: str) -> str:
        pieces = page.split("\0")
        pieces[1::2] = [self._kept[int(number)] for number in pieces[1::2]]
        return "".join(pieces)


def text(value: object) -> Markup:
    """Any text as it should be read, characters that cannot be shown as a replacement mark."""
    return Markup(escape(_UNSHOWABLE.sub("\ufffd", str(value)), quote=True))


def tag(name: str, /, *content: object, **attributes: object) -> Markup:
    """An element. `class_` stands for class; an attribute that is True has no value, None is left out."""
    written = []
    for key, value in attributes.items():
        plain = key.rstrip("_").replace("_", "-")
        if value is True:
            written.append(f" {plain}")
        elif value is not None and value is not False:
            written.append(f' {plain}="{value if isinstance(value, Mark) else text(value)}"')
    start = f"<{name}{''.join(written)}>"
    return Markup(start if name in EMPTY_ELEMENTS else f"{start}{join(*content)}</{name}>")


def join(*content: object) -> Markup:
    """Content one after another; lists are opened, None is nothing, text is escaped."""
    parts: list[str] = []
    for item in content:
        if item is None:
            continue
        if isinstance(item, Markup):
            parts.append(item)
        elif isinstance(item, (list, tuple)):
            parts.append(join(*item))
        else:
            parts.append(text(item))
    return Markup("".join(parts))


def style(css: str) -> Markup:
    """A style element. Its text is not escaped in HTML, so it must be a constant of ours."""
    return Markup(f"<style>{css}</style>")


def script(source: str) -> Markup:
    """A script element. Its text is not escaped in HTML, so it must be a constant of ours."""
    if re.search(r"</script|<!--", source, re.IGNORECASE):
        raise ValueError("the script holds what would end or comment out its element")
    return Markup(f"<script>{source}</script>")
