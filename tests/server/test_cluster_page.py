"""What engine/CLUSTER.md shows is run, or held against what it speaks of."""

from __future__ import annotations

import ast
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import clusters
import pytest
import yaml
from fettlebox.catalog import find_steps
from fettlebox.recipe import parse_recipe
from fettlebox.recipe.shop import parse_shop

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "engine" / "CLUSTER.md").read_text("utf-8")
HERE = Path(__file__).parent


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)


def dask_commands() -> list[list[str]]:
    lines = [line for block in blocks("sh") for line in block.splitlines() if line.startswith("dask ")]
    (pods,) = [yaml.safe_load(block)["spec"] for block in blocks("yaml") if "DaskCluster" in block]
    (head,), (worker,) = pods["scheduler"]["spec"]["containers"], pods["worker"]["spec"]["containers"]
    return [*(shlex.split(line) for line in lines), head["args"], worker["args"]]


@pytest.mark.parametrize("command", dask_commands(), ids=" ".join)
def test_dask_knows_the_options(command: list[str]) -> None:
    """By Dask's own parsers; nothing is started."""
    from distributed.cli.dask_scheduler import main as scheduler
    from distributed.cli.dask_worker import main as worker

    assert command[0] == "dask"
    {"scheduler": scheduler, "worker": worker}[command[1]].make_context(command[1], command[2:])


def test_the_settings_are_dask_s() -> None:
    import distributed

    (text,) = (block for block in blocks("yaml") if block.startswith("distributed:"))
    defaults = yaml.safe_load((Path(distributed.__file__).parent / "distributed.yaml").read_text())

    def known(ours: object, theirs: object, at: str = "") -> None:
        if isinstance(ours, dict):
            assert isinstance(theirs, dict), at
            for key, value in ours.items():
                assert key in theirs, f"{at}.{key}"
                known(value, theirs[key], f"{at}.{key}")

    known(yaml.safe_load(text), defaults)


def test_recipe_and_shop_file_are_good() -> None:
    (recipe,) = (block for block in blocks("yaml") if block.startswith("recipe:"))
    assert parse_recipe(recipe, "CLUSTER.md", find_steps()).needs == ("gpu",)
    (shop,) = (block for block in blocks("yaml") if block.startswith("shop:"))
    assert parse_shop(shop, "CLUSTER.md").cluster.shared == "/mnt/shop"
    for written in re.findall(r"`((?:cluster|has|limits): [^`]*)`", PAGE):
        if "…" not in written:
            parse_shop(f"shop: x\nrecipe: y\n{written}\n", "CLUSTER.md")


def test_the_extra_and_the_python_are_there() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    assert "fettlebox[cluster]" in blocks("sh")[0] and extras["cluster"]
    (code,) = blocks("python")
    (options,) = (
        [ast.literal_eval(one) for one in node.value.elts]
        for node in ast.walk(ast.parse(code))
        if isinstance(node, ast.keyword)
        and node.arg == "worker_extra_args"
        and isinstance(node.value, ast.List)
    )
    from distributed.cli.dask_worker import main as worker

    worker.make_context("worker", ["tls://head.example:8786", *options])


def test_what_the_page_says_of_times_is_so() -> None:
    from fettlebox import server
    from fettlebox.cluster import head

    assert head.FIRST_PAUSE_S == 0.5 and "after half a second" in PAGE
    assert f"up to {head.LONGEST_PAUSE_S:g} s" in PAGE and f"may end for {server.GRACE_S:g} s" in PAGE
    import dask
    import distributed  # noqa: F401 - it brings its settings

    assert dask.config.get("distributed.scheduler.allowed-failures") == 3 and "four workers in a row" in PAGE
    assert dask.config.get("distributed.scheduler.worker-ttl") == "5 minutes" and "five minutes" in PAGE


@pytest.mark.slow
def test_two_hosts_step_by_step(make_shop: Callable[..., Path], tmp_path: Path) -> None:
    """As written, but that both hosts are this one. The scan is none, which the worker finds out."""
    if shutil.which("openssl") is None:
        pytest.skip("there is no openssl to make certificates with")
    port, shop = str(clusters.free_port()), make_shop()
    (shop / "inbox" / "a.stl").write_text("a")
    etc = tmp_path / "etc"
    etc.mkdir()
    (openssl,) = (block for block in blocks("sh") if block.startswith("openssl"))
    subprocess.run(["bash", "-euc", openssl], cwd=etc, check=True, capture_output=True)
    (settings,) = (block for block in blocks("yaml") if block.startswith("distributed:"))
    (etc / "tls.yaml").write_text(settings.replace("/etc/fettlebox", str(etc)))
    told = {"8786": port, "head.example": "127.0.0.1", "worker.example": "127.0.0.1",
            "/var/lib/fettlebox": str(tmp_path / "local"), "SHOP": str(shop)}  # fmt: skip
    (tmp_path / "local").mkdir()
    path = os.pathsep.join([str(HERE), *filter(None, sys.path)])
    env = {**os.environ, "DASK_CONFIG": str(etc), "PYTHONPATH": path}

    def as_written(start: str) -> list[str]:
        line = next(line for block in blocks("sh") for line in block.splitlines() if line.startswith(start))
        for old, new in told.items():
            line = line.replace(old, new)
        return [sys.executable, "-m", *shlex.split(line)]

    started = [
        subprocess.Popen(as_written(start), env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for start in ("dask scheduler", "dask worker")
    ]
    try:
        serve = [*as_written("fettlebox serve"), "--once"]
        bare = {key: value for key, value in env.items() if key != "DASK_CONFIG"}
        refused = subprocess.run(serve, env=bare, capture_output=True, encoding="utf-8", check=False)
        assert refused.returncode == 2 and "no scheduler answers at tls://" in refused.stderr, refused.stderr
        done = subprocess.run(serve, env=env, capture_output=True, encoding="utf-8", check=False)
        assert "takes part" in done.stderr and "1 rejected" in done.stdout, done.stderr + done.stdout
    finally:
        for process in started[::-1]:
            process.terminate()
            process.wait()
