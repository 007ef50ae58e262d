"""How one board is served: where it listens, how it may be called, what it takes at most."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from ..errors import UsageError
from ..loopback import is_loopback

LOOPBACK = "127.0.0.1"
PORT = 8311
MB = 1 << 20


@dataclass(frozen=True)
class Settings:
    """What a board must know before it starts.

    url        the address that people type, where it is another than the one listened at (a reverse proxy)
    certificate, key   files for TLS of its own
    requests_a_second, burst   of one person, or of one address as long as nobody has given a token
    room_left_bytes   what uploads have to leave free of the disk, for the jobs
    failures   wrong tokens from one address in five minutes, before it has to wait
    """

    shop: Path
    host: str = LOOPBACK
    port: int = PORT
    url: str | None = None
    certificate: Path | None = None
    key: Path | None = None
    requests_a_second: float = 100.0
    burst: float = 1000.0
    failures: float = 10.0
    most_form_bytes: int = 64 * 1024
    most_chunk_bytes: int = 16 * MB
    most_upload_bytes: int = 2048 * MB
    most_uploads: int = 50
    room_left_bytes: int = 2048 * MB
    most_streams: int = 200

    @property
    def secure(self) -> bool:
        """Whether browsers reach it by https."""
        return self.certificate is not None or (self.url or "").startswith("https://")

    @property
    def local(self) -> bool:
        return is_loopback(self.host)

    @property
    def address(self) -> str:
        """What to type into a browser."""
        if self.url is not None:
            return self.url.rstrip("/")
        scheme = "https" if self.certificate is not None else "http"
        return f"{scheme}://{_bracketed(self.host)}:{self.port}"

    @property
    def hosts(self) -> frozenset[str]:
        """Every Host header that is answered; any other is a page that wants to use us for its own ends."""
        names = {_bracketed(self.host), *((LOOPBACK, "localhost", "[::1]") if self.local else ())}
        found = {f"{name}:{self.port}" for name in names}
        usual = 443 if self.certificate is not None else 80
        if self.port == usual:
            found |= names
        if self.url is not None:
            found.add(urlsplit(self.url).netloc.lower())
        return frozenset(found)

    def to_plain(self) -> dict[str, Any]:
        return {key: str(value) if isinstance(value, Path) else value for key, value in asdict(self).items()}

    @staticmethod
    def from_plain(values: dict[str, Any]) -> Settings:
        paths = {
            key: Path(values[key]) for key in ("shop", "certificate", "key") if values.get(key) is not None
        }
        return Settings(**{**values, **paths})


def settings_for(
    shop: Path, address: str, url: str | None, certificate: Path | None, key: Path | None
) -> Settings:
    """Settings from the command line. Raises UsageError with what was expected."""
    host, port = _split(address)
    if (certificate is None) != (key is None):
        raise UsageError("--board-cert and --board-key go together; only one of them was given")
    for file in (certificate, key):
        if file is not None and not file.is_file():
            raise UsageError(f"there is no file {str(file)!r}")
    if url is not None:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.netloc or parts.path.strip("/") or parts.query:
            raise UsageError(f"--board-url {url!r}: expected an address such as https://board.example")
    if host in ("0.0.0.0", "::") and url is None:
        raise UsageError(
            f"--board {address!r} listens at every address of this machine; say by which one people reach "
            f"it, such as --board-url http://board.example:{port}"
        )
    settings = Settings(shop.absolute(), host, port, url)
    return replace(settings, certificate=certificate, key=key)


def _split(address: str) -> tuple[str, int]:
    """`HOST:PORT`, `HOST`, `:PORT` or `PORT`."""
    text = address.strip()
    host, colon, port = text.rpartition(":")
    if text.startswith("[") and text.endswith("]"):
        host, port = text, ""
    elif not colon:
        host, port = ("", text) if text.isdigit() else (text, "")
    host = host.strip("[]") or LOOPBACK
    try:
        number = int(port or PORT)
    except ValueError:
        number = 0
    if not 1 <= number <= 65535 or any(c in host for c in "/@ "):
        raise UsageError(f"--board {address!r}: expected HOST:PORT, such as {LOOPBACK}:{PORT}")
    return host, number


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host.lower()
