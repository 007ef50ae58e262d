"""Numbers for a monitoring system in the OpenMetrics text format, and whether the board is alive and ready.

No number names a scan, an order or a person.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from .office import Office, Sees, office_of
from .problems import Refused, problem

measured = APIRouter(include_in_schema=False)


@measured.get("/health/live")
def live() -> Response:
    """Answered as long as this process can answer at all."""
    return JSONResponse({"status": "alive"})


@measured.get("/health/ready")
def ready(request: Request) -> Response:
    """Answered with 200 while the server beside us is at work and the list of jobs can be read."""
    office = office_of(request)
    if not office.live.server_is_well:
        return problem(503, "the server has not been heard of for a while")
    try:
        office.spool.counts()
    except Refused as refused:
        return problem(503, str(refused.detail))
    return JSONResponse({"status": "ready"})


@measured.get("/metrics")
def metrics(request: Request, person: Sees) -> Response:
    from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
    from prometheus_client.registry import Collector, CollectorRegistry

    class OfShop(Collector):
        def collect(self) -> Iterator[Any]:
            return families(office_of(request))

    registry = CollectorRegistry()
    registry.register(OfShop())
    return Response(
        generate_latest(registry),  # type: ignore[no-untyped-call]
        headers={"Content-Type": CONTENT_TYPE_LATEST},
    )


def families(office: Office) -> Iterator[Any]:
    """Every family of numbers, from the spool and from the index of the ledger."""
    from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, SummaryMetricFamily

    jobs = GaugeMetricFamily("fettlebox_jobs", "Jobs by where they stand.", labels=["state", "recipe"])
    for state, recipe, count in office.spool.counts_by_recipe():
        jobs.add_metric([state, recipe], count)
    yield jobs

    ended = CounterMetricFamily("fettlebox_ended_jobs", "Jobs that ended so.", labels=["state", "recipe"])
    sql = "SELECT state, recipe, count(*) FROM ended GROUP BY 1, 2 ORDER BY 1, 2"
    for state, recipe, count in office.cabinet.all(sql):
        ended.add_metric([state, recipe], count)
    yield ended

    stopped = CounterMetricFamily(
        "fettlebox_stopped_jobs",
        "Jobs that were held or rejected, by what stopped them.",
        labels=["state", "why"],
    )
    sql = "SELECT state, why, count(*) FROM ended WHERE why IS NOT NULL GROUP BY 1, 2 ORDER BY 1, 2"
    for state, why, count in office.cabinet.all(sql):
        stopped.add_metric([state, why], count)
    yield stopped

    steps = SummaryMetricFamily("fettlebox_step_seconds", "Time that steps took.", labels=["step"])
    sql = "SELECT step, count(*), sum(seconds) FROM step_times GROUP BY step ORDER BY step"
    for step, count, total in office.cabinet.all(sql):
        steps.add_metric([step], count_value=count, sum_value=total)
    yield steps

    age = GaugeMetricFamily("fettlebox_queue_age_seconds", "How long the oldest job in the queue has waited.")
    age.add_metric([], _age_s(office.spool.oldest_queued()))
    yield age

    working = GaugeMetricFamily("fettlebox_working_jobs", "Jobs that workers have now.")
    working.add_metric([], len(office.live.at_work))
    yield working

    server = GaugeMetricFamily("fettlebox_server_up", "1 while the server is heard of.")
    server.add_metric([], float(office.live.server_is_well))
    yield server

    lost = GaugeMetricFamily("fettlebox_hook_messages", "Messages to hooks.", labels=["state"])
    waiting, given_up = office.cabinet.one("SELECT count(due), count(*) - count(due) FROM deliveries")
    lost.add_metric(["waiting"], waiting)
    lost.add_metric(["given up"], given_up)
    yield lost


def _age_s(arrived: str | None) -> float:
    if arrived is None:
        return 0.0
    return max((datetime.now(UTC) - datetime.fromisoformat(arrived)).total_seconds(), 0.0)
