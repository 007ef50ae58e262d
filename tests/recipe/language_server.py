"""A client of the npm package `yaml-language-server`, an editor's end of the Language Server Protocol 3.17.

Messages are JSON-RPC 2.0 with the header of the protocol's section "Base Protocol", over standard input and
output. The server asks for its settings by `workspace/configuration`; catalogs of schemas on the network are
switched off.
"""

from __future__ import annotations

import json
import os
import queue
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).resolve().parents[2] / "node_modules" / "yaml-language-server"
ANSWER_S = 60.0
"""A server that says nothing for so long is stuck."""


def why_not() -> str | None:
    """Why the language server cannot be run here, or None."""
    if shutil.which("node") is None:
        return "needs node"
    if not _program().is_file():
        return "needs the npm package yaml-language-server (FETTLEBOX_YAML_LANGUAGE_SERVER or node_modules)"
    return None


def _program() -> Path:
    package = Path(os.environ.get("FETTLEBOX_YAML_LANGUAGE_SERVER", PACKAGE))
    return package / "bin" / "yaml-language-server"


class LanguageServer:
    """A running server. `schemas`: the path of a schema → patterns of the files that it is for."""

    def __init__(self, process: subprocess.Popen[bytes], schemas: Mapping[Path, list[str]]) -> None:
        self._process = process
        self._settings = {
            "validate": True,
            "completion": True,
            "hover": True,
            "schemaStore": {"enable": False},
            "kubernetesCRDStore": {"enable": False},
            "schemas": {path.as_uri(): patterns for path, patterns in schemas.items()},
        }
        self._came: queue.Queue[dict[str, Any]] = queue.Queue()
        self._number = 0
        threading.Thread(target=self._listen, daemon=True).start()
        self.ask(
            "initialize",
            {
                "processId": os.getpid(),
                "rootUri": None,
                "capabilities": {
                    "workspace": {"configuration": True, "didChangeConfiguration": {}},
                    "textDocument": {
                        "completion": {"completionItem": {"snippetSupport": False}},
                        "publishDiagnostics": {},
                    },
                },
            },
        )
        self._tell("initialized", {})
        self._tell("workspace/didChangeConfiguration", {"settings": {"yaml": self._settings}})
        # It asks for its settings in its own time, and knows no schema before: this makes it ask.
        self._wait(lambda one: one.get("method") == "workspace/configuration")

    def problems(self, path: Path, text: str) -> list[dict[str, Any]]:
        """The diagnostics that an editor shows when a file of that name and text is opened."""
        self._open(path, text)
        found = self._wait(
            lambda one: (
                one.get("method") == "textDocument/publishDiagnostics"
                and one["params"]["uri"] == path.as_uri()
            )
        )
        self._close(path)
        problems: list[dict[str, Any]] = found["params"]["diagnostics"]
        return problems

    def offers(self, path: Path, marked: str) -> list[dict[str, Any]]:
        """The completions at the place marked `|` in the text."""
        before, _, after = marked.partition("|")
        self._open(path, before + after)
        line, column = before.count("\n"), len(before) - (before.rfind("\n") + 1)
        answer = self.ask(
            "textDocument/completion",
            {"textDocument": {"uri": path.as_uri()}, "position": {"line": line, "character": column}},
        )
        self._close(path)
        items: list[dict[str, Any]] = answer["items"] if isinstance(answer, dict) else answer or []
        return items

    def ask(self, method: str, params: Mapping[str, Any]) -> Any:
        """The result of a request. Raises AssertionError if the server answers with an error."""
        self._number += 1
        number = self._number
        self._send({"jsonrpc": "2.0", "id": number, "method": method, "params": params})
        answer = self._wait(lambda one: one.get("id") == number and "method" not in one)
        assert "error" not in answer, answer["error"]
        return answer["result"]

    def _open(self, path: Path, text: str) -> None:
        document = {"uri": path.as_uri(), "languageId": "yaml", "version": 1, "text": text}
        self._tell("textDocument/didOpen", {"textDocument": document})

    def _close(self, path: Path) -> None:
        self._tell("textDocument/didClose", {"textDocument": {"uri": path.as_uri()}})

    def _tell(self, method: str, params: Mapping[str, Any]) -> None:
        self._send({"jsonrpc": "2.0", "method": method, "params": params})

    def _send(self, message: Mapping[str, Any]) -> None:
        body = json.dumps(message).encode()
        assert self._process.stdin is not None
        self._process.stdin.write(b"Content-Length: %d\r\n\r\n%s" % (len(body), body))
        self._process.stdin.flush()

    def _wait(self, wanted: Callable[[Mapping[str, Any]], bool]) -> dict[str, Any]:
        """The next message that is wanted; whatever the server asks is answered on the way."""
        while True:
            message = self._came.get(timeout=ANSWER_S)
            if "method" in message and "id" in message:
                self._send({"jsonrpc": "2.0", "id": message["id"], "result": self._answer(message)})
            if wanted(message):
                return message

    def _answer(self, question: Mapping[str, Any]) -> list[Any] | None:
        if question["method"] != "workspace/configuration":
            return None
        return [
            self._settings if one.get("section") == "yaml" else None for one in question["params"]["items"]
        ]

    def _listen(self) -> None:
        stream = self._process.stdout
        assert stream is not None
        while True:
            length = 0
            while (line := stream.readline().strip()) != b"":
                name, _, value = line.partition(b":")
                if name.lower() == b"content-length":
                    length = int(value)
            if not length:
                return
            self._came.put(json.loads(stream.read(length)))


@contextmanager
def language_server(schemas: Mapping[Path, list[str]]) -> Iterator[LanguageServer]:
    process = subprocess.Popen(
        ["node", str(_program()), "--stdio"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        yield LanguageServer(process, schemas)
    finally:
        process.kill()
        process.wait()
