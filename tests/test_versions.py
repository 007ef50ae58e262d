"""The record names everything that a result depends on."""

from __future__ import annotations

from importlib import metadata
from types import SimpleNamespace

import pytest
from fettlebox import __version__, versions


def test_libraries_are_those_that_are_installed() -> None:
    found = versions.versions_here()
    assert found["fettlebox"] == __version__
    assert found["numpy"] == metadata.version("numpy")
    assert not any(name.startswith("plugin fettlebox") for name in found)


def test_packages_of_plugins_are_named_once_each(monkeypatch: pytest.MonkeyPatch) -> None:
    def entry(name: str, version: str) -> SimpleNamespace:
        return SimpleNamespace(dist=SimpleNamespace(name=name, version=version))

    found = [entry("our-steps", "2.1"), entry("our-steps", "2.1"), entry("fettlebox", "9"), entry("a", "1")]
    monkeypatch.setattr(metadata, "entry_points", lambda group: found)
    assert versions._plugins() == {"plugin a": "1", "plugin our-steps": "2.1"}
