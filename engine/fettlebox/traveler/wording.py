"""How facts read on the card: `area_mm2: 5000.0` is shown as "area" and "50 cm²"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..fact_names import SHARES, SHOWN_AS

UNITS = {**SHOWN_AS, "mm_s": "mm/s", "mm_s2": "mm/s²", "g_per_cm3": "g/cm³"}

NAMES = {
    "size_mm": "size",
    "rims": "open rims",
    "sound": "sound solid",
    "scan_to_part_p50_mm": "scan to part, half of it within",
    "scan_to_part_p95_mm": "scan to part, 95 % of it within",
    "scan_to_part_p999_mm": "scan to part, 99.9 % of it within",
    "scan_to_part_max_mm": "scan to part, farthest",
    "part_to_scan_p95_mm": "part to scan, 95 % of it within",
    "part_to_scan_max_mm": "part to scan, farthest",
    "covered_ratio": "scan covered by the part",
    "covered_within_mm": "covered means within",
    "scan_cut_off_ratio": "scan cut off on purpose",
    "part_invented_ratio": "part with no scan under it",
    "part_flat_ratio": "part on flat cuts and bases",
    "part_inner_ratio": "part inside a hollow or a deep pocket",
    "sample_spacing_mm": "spacing of the samples",
}


def named(key: str) -> str:
    """A fact's name in words, without its unit."""
    if key in NAMES:
        return NAMES[key]
    suffix = _suffix(key)
    stem = key[: -len(suffix) - 1]
    return (stem if stem and (suffix in UNITS or suffix == "ratio") else key).replace("_", " ")


def shown(key: str, value: Any) -> str:
    """A fact's value in words, with the unit that its name carries."""
    if value is None:
        return "—"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{named(k)} {shown(k, v)}" for k, v in value.items() if v is not None) or "—"
    suffix = _suffix(key)
    if isinstance(value, Sequence) and not isinstance(value, str):
        if value and all(isinstance(v, (int, float)) for v in value):
            joint = " × " if key.startswith("size") or "dimension" in key else ", "
            return joint.join(number(v) for v in value) + _unit(suffix)
        return "; ".join(shown(key, v) for v in value) or "—"
    if isinstance(value, (int, float)):
        if suffix in SHARES:
            return f"{number(value * 100.0)} %"
        if suffix == "mm3" and abs(value) >= 1000.0:
            return f"{number(value / 1000.0)} cm³"
        if suffix == "mm2" and abs(value) >= 1000.0:
            return f"{number(value / 100.0)} cm²"
        return number(value) + _unit(suffix)
    return str(value)


def number(value: float) -> str:
    """Three or four digits that matter, thousands apart; counts in full."""
    if isinstance(value, int) or (float(value).is_integer() and abs(value) < 1e12):
        return f"{int(value):,}".replace(",", "\u202f")
    size = abs(value)
    if size >= 1e7 or size < 1e-4:
        return "0" if size < 1e-9 else f"{value:.2e}"
    digits = 0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 1 else 3 if size >= 0.01 else 4
    written = f"{value:,.{digits}f}".replace(",", "\u202f")
    return (written.rstrip("0").rstrip(".") if "." in written else written) or "0"


def _suffix(key: str) -> str:
    """The unit at the end of a fact's name, the longest that is one: `mm_s` before `s`."""
    compound = max((unit for unit in UNITS if "_" in unit and key.endswith(f"_{unit}")), key=len, default="")
    return compound or key.rpartition("_")[2]


def _unit(suffix: str) -> str:
    unit = UNITS.get(suffix)
    return "" if unit is None else unit if unit == "°" else f" {unit}"
