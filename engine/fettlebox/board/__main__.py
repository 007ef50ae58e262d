"""The board's own process: settings as one JSON line on its input, then what the server tells, line by line.

It ends when its input does, so it never outlives its server.
"""

from __future__ import annotations

import json
import sys
import threading

import uvicorn

from ..observing import MOST_MEMORY_BYTES, bound_memory
from ..turns import room_beside_bytes
from .app import guarded, make_app
from .live import follow
from .office import make_office
from .settings import Settings

STACK_BYTES = 2 << 20
"""Of each thread. The usual 8 MB, of which no page needs a tenth, count as data: 40 threads would take 320 MB
of what board and notifiers may hold together. Without that bound, a notifier that grows could take the memory
of the jobs, or have the system end the server.
"""


def main() -> int:
    bound_memory(room_beside_bytes(MOST_MEMORY_BYTES))
    threading.stack_size(STACK_BYTES)
    settings = Settings.from_plain(json.loads(sys.stdin.buffer.readline()))
    office = make_office(settings)
    app = make_app(office)
    config = uvicorn.Config(
        guarded(app),
        host=settings.host,
        port=settings.port,
        ssl_certfile=settings.certificate,
        ssl_keyfile=settings.key,
        log_level="warning",
        access_log=False,  # an address may hold an order's number or a scan's name
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=2,
        limit_concurrency=settings.most_streams + 300,
        backlog=512,
    )
    server = uvicorn.Server(config)

    def stop() -> None:
        office.live._in_loop(office.live.close)
        server.should_exit = True

    threading.Thread(target=follow, args=(sys.stdin.buffer, office.live.hear_soon, stop), daemon=True).start()
    server.run()
    return 0 if server.started else 1


if __name__ == "__main__":
    sys.exit(main())
