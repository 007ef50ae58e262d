"""The command line: parse, call, print. Exit status 0 done, 2 wrong usage, recipe or shop file,
3 held, 4 rejected (or an audit, a replay or a test found something), 1 unexpected, 130 interrupted.
With `--json`, what ends a command before it could tell a result is an object as well, of `state` "error".
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, cast

import typer

from . import __version__
from .errors import FettleboxError, UsageError
from .idling import let_idle_threads_sleep

if TYPE_CHECKING:
    from .printer import Printer
    from .recipe import Shop

F = TypeVar("F", bound=Callable[..., Any])
app = typer.Typer(
    name="fettlebox",
    help="Turn incoming 3D scans into print-ready parts, unattended.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

AsJson = Annotated[
    bool,
    typer.Option(
        "--json", help="Print one JSON object a result, or one of state 'error' that says why there is none."
    ),
]
OfShop = Annotated[
    Path | None,
    typer.Option("--shop", help="A shop, for its own steps, printers and standard.", metavar="SHOP"),
]
ShopFolder = Annotated[
    Path, typer.Argument(help="The shop's folder (the one with shop.yaml).", metavar="SHOP")
]
JobId = Annotated[str, typer.Argument(help="The job's id, or enough of its beginning.", metavar="JOB")]


def _group(name: str, about: str) -> typer.Typer:
    group = typer.Typer(name=name, help=about, no_args_is_help=True, rich_markup_mode=None)
    app.add_typer(group)
    return group


of_plugins = _group("plugin", "What plugins bring; make one, and hold it against the plugin contract.")


def command(name: str, group: typer.Typer = app) -> Callable[[F], F]:
    """Register a command whose expected failures are one sentence and an exit status; with --json also an
    object on standard output.
    """

    def wrap(function: F) -> F:
        @group.command(name)
        @wraps(function)
        def guarded(*args: Any, **kwargs: Any) -> None:
            try:
                status = function(*args, **kwargs)
            except FettleboxError as error:
                print(error, file=sys.stderr)
                status = error.exit_status
                if kwargs.get("as_json"):
                    _failure(error)
            raise typer.Exit(status or 0)

        return cast(F, guarded)

    return wrap


def _failure(error: FettleboxError) -> None:
    from . import printing

    printing.failure(error)


@app.callback(invoke_without_command=True)
def _version(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        print(f"fettlebox {__version__}")
        raise typer.Exit(0)


def _of_shop(shop: Path | None) -> tuple[Shop | None, Printer]:
    from .printer import EVERYDAY
    from .recipe import load_shop

    read = load_shop(shop) if shop is not None else None
    return read, read.printer if read is not None else EVERYDAY


@command("run")
def run(
    recipe: Annotated[Path, typer.Argument(help="A recipe file.", metavar="RECIPE")],
    scans: Annotated[list[Path], typer.Argument(help="Scan files or folders.", metavar="SCAN...")],
    setting: Annotated[
        list[str] | None, typer.Option("--set", help="A value the recipe asks for.", metavar="NAME=VALUE")
    ] = None,
    ticket: Annotated[Path | None, typer.Option(help="A ticket for all these scans.")] = None,
    out: Annotated[Path, typer.Option(help="Where the jobs' folders go.")] = Path("parts"),
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """Run RECIPE once on each SCAN, on a copy; the scans themselves are not touched."""
    from . import printing
    from .compiled import tell_if_cold
    from .run_once import require_good, run_once, worst_status

    values = _settings(setting or [])
    read, printer = _of_shop(shop)
    own = read.own_steps if read is not None else ()
    require_good(recipe, scans, ticket, values, read)
    tell_if_cold()
    results = []
    for scan in scans:
        with printing.job_progress(scan.name) as progress:
            result, folder = run_once(
                recipe, scan, out, ticket=ticket, values=values, printer=printer, own_steps=own,
                progress=progress,
            )  # fmt: skip
        printing.job_result(result, folder, as_json=as_json)
        results.append(result)
    return worst_status(results)


@command("try")
def try_(
    recipe: Annotated[Path, typer.Argument(help="A recipe file.", metavar="RECIPE")],
    scan: Annotated[Path, typer.Argument(help="A scan.", metavar="SCAN")],
    setting: Annotated[
        list[str] | None, typer.Option("--set", help="A value the recipe asks for.", metavar="NAME=VALUE")
    ] = None,
    ticket: Annotated[Path | None, typer.Option(help="A ticket for this scan.")] = None,
    out: Annotated[Path, typer.Option(help="Where the sheet and the kept steps go.")] = Path("tried"),
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """Tune RECIPE on SCAN: every step's part, facts and picture on one sheet. Delivers nothing."""
    from . import printing
    from .compiled import tell_if_cold
    from .run_once import require_good
    from .trying import try_recipe

    values = _settings(setting or [])
    read, printer = _of_shop(shop)
    own = read.own_steps if read is not None else ()
    require_good(recipe, [scan], ticket, values, read)
    tell_if_cold()
    with printing.job_progress(scan.name) as progress:
        sheet, run = try_recipe(
            recipe, scan, out, ticket=ticket, values=values, printer=printer, own_steps=own, progress=progress
        )
    printing.tried(sheet, run, as_json=as_json)
    return {"done": 0, "held": 3, "rejected": 4}[run.state]


@command("serve")
def serve(
    shop: ShopFolder,
    once: Annotated[bool, typer.Option("--once", help="Work off the inbox, then stop.")] = False,
    workers: Annotated[
        str | None,
        typer.Option(
            help="Jobs at a time, if not the shop file's number; or the scheduler of a Dask cluster: tls://HOST:PORT.",
            metavar="N|ADDR",
        ),
    ] = None,
    board: Annotated[
        str | None,
        typer.Option(help="Show the board there: HOST:PORT, or PORT on this machine only.", metavar="ADDR"),
    ] = None,
    board_url: Annotated[
        str | None, typer.Option(help="The board's address behind a reverse proxy.", metavar="URL")
    ] = None,
    board_cert: Annotated[Path | None, typer.Option(help="A certificate of its own, for TLS.")] = None,
    board_key: Annotated[Path | None, typer.Option(help="The certificate's key.")] = None,
    as_json: AsJson = False,
) -> int:
    """Watch a shop's inbox and work on every scan that arrives, until stopped."""
    from . import printing
    from .board.commands import with_board
    from .compiled import tell_if_cold
    from .pools import workers_from

    serve_it = with_board(shop, board, board_url, board_cert, board_key)
    tell_if_cold()
    with printing.serve_progress(as_json=as_json) as on_event:
        summary = serve_it(once=once, workers=workers_from(workers), on_event=on_event)
    printing.serve_summary(summary, as_json=as_json)
    if not once:
        return 0
    return 4 if summary.counts.get("rejected") else 3 if summary.counts.get("held") else 0


@command("init")
def init(shop: Annotated[Path, typer.Argument(help="The folder to make.", metavar="SHOP")]) -> None:
    """Make a shop: its folders, a commented shop.yaml, the ready recipes with the schemas for editors."""
    from .jobs import init_shop
    from .shipped import shipped

    init_shop(shop, recipes=shipped("recipes"), schemas=shipped("schemas"))
    print(f"{shop} is ready. Drop scans into {shop / 'inbox'}, then: fettlebox serve {shop}")


@command("schema")
def schema(
    kind: Annotated[
        str, typer.Argument(help="recipe, ticket, shop, printer, material or expect.", metavar="KIND")
    ],
    installed: Annotated[
        bool, typer.Option("--installed", help="With what the plugins installed here add.")
    ] = False,
    shop: Annotated[
        Path | None, typer.Option(help="With that, and what this shop has: its own steps, and its names.")
    ] = None,
) -> None:
    """Print the JSON Schema of one kind of file, for an editor: as it ships, or as it is here."""
    from .catalog import built_in_steps, find_steps
    from .own_steps import with_own_steps
    from .recipe import load_shop
    from .recipe.schema import KINDS, compose_schema, shop_schema, write_schema

    if kind not in KINDS:
        raise UsageError(f"there is no schema {kind!r}; there are {', '.join(KINDS)}")
    chosen = cast(Any, kind)
    if shop is not None:
        read = load_shop(shop)
        composed = shop_schema(chosen, with_own_steps(find_steps(), read.own_steps), read)
    else:
        composed = compose_schema(chosen, find_steps() if installed else built_in_steps())
    print(write_schema(composed), end="")


@command("jobs")
def jobs(
    shop: ShopFolder,
    state: Annotated[str | None, typer.Option(help="Only jobs in this state.")] = None,
    as_json: AsJson = False,
) -> None:
    """List a shop's jobs."""
    from . import printing
    from .jobs import list_jobs

    printing.job_list(list_jobs(shop, state=state), as_json=as_json)


def _login_name() -> str | None:
    """Who sits at the desk, as the system knows them; None where it knows nobody."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return None


@command("retry")
def retry(
    shop: ShopFolder,
    job: JobId,
    ticket: Annotated[Path | None, typer.Option(help="A new ticket, with what the job was held for.")] = None,
) -> None:
    """Put a held or rejected job back in the queue, from its original bytes.

    A new ticket is taken from --ticket, or from the job's folder if one lies there.
    """
    from .jobs import retry as act

    print(act(shop, job, ticket))


@command("discard")
def discard(shop: ShopFolder, job: JobId) -> None:
    """Delete one job's data, scan and parts, for good; its entry and digests stay on record."""
    from .jobs import discard as act

    print(act(shop, job))


@command("audit")
def audit(shop: ShopFolder, as_json: AsJson = False) -> int:
    """Hold a shop's finished jobs against its ledger: every changed, missing or added file is named.

    Exit status 0: all is as the ledger says. 4: something is not.
    """
    from . import printing
    from .jobs.audit import audit_shop

    return printing.audit_report(audit_shop(shop), as_json=as_json)


@command("replay")
def replay(
    jobdir: Annotated[Path, typer.Argument(help="A job's folder, of `run` or of a shop.", metavar="JOBDIR")],
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """Do a finished job again from its original bytes, and say whether the same comes out.

    Own steps of a shop come from the one in which the job lies, unless another is named.

    Exit status 0: the same. 4: something differs; the first step that does is named. 2: not a job's folder.
    """
    from . import printing
    from .compiled import tell_if_cold
    from .replay import replay as run_replay

    tell_if_cold()
    with printing.job_progress(jobdir.name) as progress:
        again = run_replay(jobdir, progress, shop)
    return printing.replay_report(again, as_json=as_json)


@command("doctor")
def doctor(
    warm: Annotated[
        bool, typer.Option("--warm", help="Compile everything now, so that the first job is fast.")
    ] = False,
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """Say whether this installation can do its work, and what to mend if not."""
    from . import printing
    from .doctor import examine

    return printing.doctor_report(examine(warm=warm, shop=shop), as_json=as_json)


@command("demo")
def demo(
    into: Annotated[Path, typer.Option(help="The scratch shop to make.")] = Path("demo_shop"),
) -> int:
    """Serve the example shop once: a marionette workshop's scans become quarter-size masters."""
    from .demo import run_demo

    return run_demo(into)


def _settings(given: list[str]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for text in given:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise UsageError(f"--set {text!r}: expected NAME=VALUE, such as --set 'size=20 %'")
        values[name.strip()] = value.strip()
    return values


from . import cli_board, cli_plugins, cli_recipes, cli_shop  # noqa: E402, F401 - they register commands


def main() -> None:
    """Entry point of the `fettlebox` command."""
    let_idle_threads_sleep()
    try:
        if not any(word.partition("=")[0] == "--json" for word in sys.argv[1:]):
            app()
        sys.exit(app(standalone_mode=False))
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        sys.exit(130)
    except typer.Abort:  # an input that ended where something was to be read
        stopped = UsageError("stopped: the input ended")
        print(stopped, file=sys.stderr)
        _failure(stopped)
        sys.exit(stopped.exit_status)
    except Exception as error:
        if not hasattr(error, "format_message"):  # what typer refuses before a command is called
            raise
        error.show()  # type: ignore[attr-defined]
        _failure(UsageError(error.format_message()))
        sys.exit(UsageError.exit_status)
