"""Where a board listens and by which names it answers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from fettlebox.board.settings import Settings, settings_for
from fettlebox.errors import UsageError

SHOP = Path("/shop")


@pytest.mark.parametrize(
    ("given", "host", "port"),
    [
        ("8311", "127.0.0.1", 8311), (":9000", "127.0.0.1", 9000), ("localhost", "localhost", 8311),
        ("10.0.0.5:80", "10.0.0.5", 80), ("[::1]:9000", "::1", 9000), ("[::1]", "::1", 8311),
        ("board.example:443", "board.example", 443),
    ],
)  # fmt: skip
def test_an_address_is_read(given: str, host: str, port: int) -> None:
    settings = settings_for(SHOP, given, None, None, None)
    assert (settings.host, settings.port) == (host, port)
    assert settings.local == (host in ("127.0.0.1", "localhost", "::1"))


@pytest.mark.parametrize("given", ["x:y", "1.2.3.4:0", "1.2.3.4:70000", "http://x:80", "a b:80", "me@x:80"])
def test_an_address_that_is_none_is_refused(given: str) -> None:
    with pytest.raises(UsageError, match="expected HOST:PORT"):
        settings_for(SHOP, given, None, None, None)


def test_every_address_needs_a_name() -> None:
    for wide in ("0.0.0.0:8311", "[::]:8311"):
        with pytest.raises(UsageError, match="--board-url"):
            settings_for(SHOP, wide, None, None, None)
    settings = settings_for(SHOP, "0.0.0.0:8311", "http://board.example:8311", None, None)
    assert "board.example:8311" in settings.hosts and not settings.local


@pytest.mark.parametrize(
    "url", ["board.example", "ftp://board.example", "https://", "https://b.example/path"]
)
def test_a_url_that_is_none_is_refused(url: str) -> None:
    with pytest.raises(UsageError, match="expected an address"):
        settings_for(SHOP, "8311", url, None, None)


def test_a_certificate_needs_its_key(tmp_path: Path) -> None:
    certificate = tmp_path / "c.pem"
    certificate.write_text("")
    with pytest.raises(UsageError, match="go together"):
        settings_for(SHOP, "8311", None, certificate, None)
    with pytest.raises(UsageError, match="no file"):
        settings_for(SHOP, "8311", None, certificate, tmp_path / "k.pem")


def test_it_answers_to_its_own_names_only() -> None:
    assert Settings(SHOP).hosts == {"127.0.0.1:8311", "localhost:8311", "[::1]:8311"}
    assert Settings(SHOP, "10.0.0.5", 80).hosts == {"10.0.0.5:80", "10.0.0.5"}
    behind = Settings(SHOP, url="https://Board.Example")
    assert "board.example" in behind.hosts and behind.secure


def test_settings_travel_to_the_board_s_process() -> None:
    settings = Settings(SHOP, url="https://b.example", certificate=Path("/c"), key=Path("/k"))
    assert Settings.from_plain(json.loads(json.dumps(settings.to_plain()))) == settings
