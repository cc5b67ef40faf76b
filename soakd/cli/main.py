"""The command `soakd`. Only typer is loaded here; everything heavy waits inside the command that needs it."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from soakd.cli import (
    doctor,
    drill,
    hours,
    init,
    plan,
    queue,
    readings,
    report,
    run,
    sensors,
    series,
    serve,
    sheet,
    standing,
    support,
    token,
    trust,
    verdict,
    watch,
    workloads,
)
from soakd.errors import EXIT_INTERRUPTED, EXIT_PASS, SoakdError

app = typer.Typer(
    name="soakd",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("run")(run.run)
app.command("serve")(serve.serve)
verdict.app.command("report")(report.report)
verdict.app.command("card")(report.card)
verdict.app.command("readings")(readings.readings)
verdict.app.command("export")(trust.export)
verdict.app.command("verify")(trust.verify)
verdict.app.command("key")(trust.key)
app.add_typer(verdict.app, name="verdict")
app.command("standing")(standing.standing)
app.add_typer(sheet.app, name="sheet")
plan.app.command("hours")(hours.hours)
app.add_typer(plan.app, name="plan")
app.add_typer(sensors.app, name="sensors")
app.add_typer(workloads.app, name="workloads")
queue.app.command("series")(series.series)
app.add_typer(queue.app, name="queue")
app.add_typer(token.app, name="token")
app.command("watch")(watch.watch)
app.command("stop")(watch.stop)
app.command("drill")(drill.drill)
app.command("doctor")(doctor.doctor)
app.command("init")(init.init)
app.command("support")(support.support)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"soakd {version('soakd')}")
        raise typer.Exit


@app.callback()
def soakd(
    _: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")] = False,
) -> None:
    """Prove processor and memory settings: guarded, self-checking soak runs, and verdicts tied to the tested settings.

    Heat, voltage and unattended operation can harm hardware and people. Makers' limits and local rules come first.

    Example: soakd run three-minutes
    """


def main() -> None:
    """Entry point: a user's mistake is one clear line and a hint, never a traceback."""
    try:
        app()
    except SoakdError as error:
        sys.stderr.write(f"soakd: {error.message}\n")
        if error.hint:
            sys.stderr.write(f"  hint: {error.hint}\n")
        raise SystemExit(error.exit_code) from None
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # or the interpreter's last flush would complain
        raise SystemExit(EXIT_PASS) from None
    except KeyboardInterrupt:
        raise SystemExit(EXIT_INTERRUPTED) from None


if __name__ == "__main__":
    main()
