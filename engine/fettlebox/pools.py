"""Who does a shop's jobs: child processes of this machine, or a cluster that the command line names."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .errors import UsageError
from .jobs.folders import ShopFolders
from .jobs.rules import Rules
from .pool import Limits, Pool
from .service import MessageKind
from .turns import workers_here
from .workers import Workers


def workers_from(given: str | None) -> int | str | None:
    """What the command line says: a number, or something that `require_workers` takes for an address."""
    try:
        return given if given is None else int(given)
    except ValueError:
        return given


def require_workers(workers: int | str | None, rules: Rules) -> None:
    """Raises UsageError for what can be neither a number of workers nor a cluster's address."""
    if isinstance(workers, str):
        from .cluster.address import require_address

        require_address(workers, unencrypted=rules.cluster_unencrypted)
    elif workers is not None and workers < 1:
        raise UsageError(f"{workers} workers cannot do anything; expected at least 1")


def pool_for(
    workers: int | str | None,
    perform: Callable[..., Any],
    rules: Rules,
    shop: ShopFolders,
    put: Callable[[MessageKind, Any], None],
) -> Pool:
    """The pool, which puts its answers, and words for whoever watches, into the server's queue.

    Raises UsageError if there is no such cluster.
    """
    if isinstance(workers, str):
        from .cluster.head import Cluster

        return Cluster(
            workers, perform, limits_of(rules), shop, rules.cluster_shared, rules.cluster_same_processors,
            lambda answer: put("answer", answer), lambda *word: put("word", word),
        )  # fmt: skip
    count = workers or rules.workers or workers_here()
    return Workers(count, perform, limits_of(rules), shop.private, lambda answer: put("answer", answer))


def limits_of(rules: Rules) -> Limits:
    """What the shop allows one job, and what its machine has."""
    return Limits(rules.time_s, rules.memory_mb, has=rules.has)
