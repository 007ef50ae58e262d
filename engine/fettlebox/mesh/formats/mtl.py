"""Material files that go with OBJ: the colour and the colour texture of each material."""

from __future__ import annotations

from dataclasses import dataclass

MOST_MATERIALS = 4096
_SWITCHES = ("on", "off")


@dataclass(frozen=True)
class Material:
    """colour: linear light r, g, b as the file has it, or None; texture: name of an image, or None."""

    colour: tuple[float, float, float] | None = None
    texture: str | None = None


def materials(data: bytes) -> dict[bytes, Material]:
    """By name; whatever else a material says is skipped. Never raises: what makes no sense is not there."""
    found: dict[bytes, Material] = {}
    name: bytes | None = None
    for line in data.splitlines():
        key, *rests = line.split(None, 1)[:2] or [b""]
        rest = rests[0].strip() if rests else b""
        if key == b"newmtl":
            name = rest if len(found) < MOST_MATERIALS else None
            if name is not None:
                found[name] = Material()
        elif name is None:
            continue
        elif key.lower() == b"map_kd":
            found[name] = Material(found[name].colour, _file_name(rest))
        elif key == b"Kd":
            found[name] = Material(_colour(rest), found[name].texture)
    return found


def _file_name(text: bytes) -> str | None:
    """What stands behind the options of a texture: words with a dash, each with numbers or a switch."""
    words = text.decode("utf-8", "replace").split()
    while len(words) > 1 and words[0].startswith("-"):
        words.pop(0)
        while len(words) > 1 and (_is_number(words[0]) or words[0] in _SWITCHES):
            words.pop(0)
    return " ".join(words)[:1000] or None


def _colour(text: bytes) -> tuple[float, float, float] | None:
    words = text.split()
    if len(words) < 3 or not all(_is_number(word.decode("latin-1")) for word in words[:3]):
        return None
    r, g, b = (min(max(float(word), 0.0), 1.0) for word in words[:3])
    return r, g, b


def _is_number(word: str) -> bool:
    try:
        return abs(float(word)) < 1e30
    except ValueError:
        return False
