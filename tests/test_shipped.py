"""What comes with Fettlebox is found, in a checkout and in a wheel."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.shipped import shipped

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize("name", ["recipes", "schemas", "inbox_example"])
def test_a_checkout_ships_its_own_folders(name: str) -> None:
    assert shipped(name).resolve() == ROOT / name


def test_a_missing_folder_is_a_sentence() -> None:
    with pytest.raises(UsageError, match="install it again"):
        shipped("no such folder")


@pytest.mark.slow
def test_a_wheel_holds_recipes_schemas_and_the_example_shop(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
    subprocess.run([*command, "--wheel-dir", str(tmp_path), str(ROOT)], check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    for folder in ("recipes", "schemas", "inbox_example/inbox"):
        for path in (ROOT / folder).iterdir():
            if path.is_file():
                assert f"fettlebox/shipped_files/{folder}/{path.name}" in names
    assert "fettlebox/shipped_files/service/fettlebox.service" in names
    assert not any("__pycache__" in name for name in names)
