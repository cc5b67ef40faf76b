"""`soakd plan`: draft a plan from a sheet, see what a plan visits, and rehearse it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import (
    Config,
    Json,
    own_configuration,
    print_json,
    quantity,
    refuse_existing,
    write_new,
    write_whole,
)

if TYPE_CHECKING:
    from soakd.model.plan import Plan
    from soakd.model.sheet import Sheet
    from soakd.rules.planned import Survey

app = typer.Typer(no_args_is_help=True, help="Draft a plan from a sheet, see what a plan visits, and rehearse it.")
Confidence = Annotated[str, typer.Option("--confidence", help='Of what is demonstrated: "90 %", from 50 to 99.99 %.')]
_LEAST, _MOST = 50.0, 99.99


@app.command("draft")
def draft(
    sheet: Annotated[str, typer.Option("--sheet", help="The settings to prove: a file, or a shipped name.")],
    hours: Annotated[float, typer.Option("--hours", min=0.01, max=720, help="How long the run may take.")],
    file: Annotated[Path | None, typer.Argument(help="File to write; standard output if not given.")] = None,
    confidence: Confidence = "95 %",
    config: Config = None,
    json_: Json = False,
) -> None:
    """Lay out stages that visit every operating point of a sheet on this bench, the least visited as long as can be.

    Says what so many hours demonstrate when not one error is seen, and what they cannot. Read the plan before a run.

    Example: soakd plan draft --sheet sheets/tonight.toml --hours 8 tonight.toml
    """
    share = _share(confidence)
    from soakd.clock import SystemClock
    from soakd.config.files import load_sheet
    from soakd.config.shipped import find
    from soakd.report.plan_file import plan_text
    from soakd.service.planning import draft_plan, would_refuse

    declared = load_sheet(find(sheet, "sheets"))
    drafted, survey = draft_plan(declared, hours * 3600.0)
    refused = would_refuse(drafted.plan, declared, own_configuration(config), SystemClock())
    text = plan_text(drafted, survey)
    if file is not None:
        write_new(file, text)
    if json_:
        from soakd.report.planned import planned_json

        plan = drafted.plan.model_dump(mode="json", exclude_none=True)
        print_json({"plan": plan, "would_be_refused": refused, **planned_json(survey, share)})
        return
    if file is None:
        sys.stdout.write(text)
        sys.stdout.flush()
    _show(survey, share, drafted.plan, declared, on_stderr=file is None)
    if refused:
        sys.stderr.write(f"soakd: as this bench is now, it would not start this plan: {refused}\n")


@app.command("check")
def check(
    plan: Annotated[str, typer.Argument(help="A plan file, or the name of a shipped plan.")],
    sheet: Annotated[
        str | None, typer.Option("--sheet", help="The settings to prove; without them only the bench is asked.")
    ] = None,
    confidence: Confidence = "95 %",
    config: Config = None,
    json_: Json = False,
) -> None:
    """Tell whether a plan fits this bench and, with a sheet, which operating points it visits and which it leaves out.

    Nothing is run. Exit code: 0 fits and leaves nothing out, 10 leaves points out, 78 refused with what would be right.

    Example: soakd plan check overnight --sheet sheets/tonight.toml
    """
    share = _share(confidence)
    from soakd.clock import SystemClock
    from soakd.config.files import load_plan, load_sheet
    from soakd.config.shipped import find
    from soakd.errors import EXIT_INCONCLUSIVE
    from soakd.report.planned import planned_json
    from soakd.service.draft import draft_run
    from soakd.service.planning import survey_of

    path = find(plan, "plans")
    wanted = load_plan(path)
    declared = load_sheet(find(sheet, "sheets")) if sheet else None
    own = own_configuration(config)
    record = draft_run(wanted, declared, plan_file=str(path), clock=SystemClock(), roles=own.roles, plugins=own.plugins)
    survey = survey_of(record)
    if json_:
        points = planned_json(survey, share) if survey else {}
        print_json({"duration_s": wanted.duration_s, "cautions": list(record.cautions), **points})
    elif survey is not None and declared is not None:
        _show(survey, share, record.plan, declared, on_stderr=False)
    else:
        sys.stdout.write(f"{wanted.name} fits this bench; with --sheet, the points that it visits are listed\n")
    for caution in record.cautions if not json_ else ():
        sys.stderr.write(f"soakd: {caution}\n")
    if survey is not None and survey.left_out:
        raise typer.Exit(EXIT_INCONCLUSIVE)


@app.command("rehearse")
def rehearse(
    plan: Annotated[str, typer.Argument(help="A plan file, or the name of a shipped plan.")],
    sheet: Annotated[str | None, typer.Option("--sheet", help="The settings: a file, or a shipped name.")] = None,
    bench: Annotated[
        str | None, typer.Option("--bench", help="A virtual bench: a file, or a shipped name; else an invented one.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**63 - 1, help="Another seed is another silicon.")] = 1,
    report: Annotated[
        Path | None, typer.Option("--report", help="An HTML file to write, too, marked as a model.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the report if it is there already.")] = False,
    json_: Json = False,
) -> None:
    """Run a plan on a virtual bench, a night in seconds: temperatures, its end, what it covers, what would stop it.

    Nothing is loaded and nothing is kept: it is a model. Exit code as of a run: 0 pass, 1 fail, 10 inconclusive, 78
    refused.

    Example: soakd plan rehearse overnight --sheet lantern --bench lantern
    """
    from soakd.config.files import load, load_plan, load_sheet
    from soakd.config.shipped import find
    from soakd.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
    from soakd.model.virtual import VirtualBench
    from soakd.service.rehearsal import rehearse as rehearsed

    path = find(plan, "plans")
    wanted = load_plan(path)
    declared = load_sheet(find(sheet, "sheets")) if sheet else None
    about = load(find(bench, "benches"), VirtualBench) if bench else VirtualBench()
    if report is None:
        shown = rehearsed(wanted, declared, about, plan_file=str(path), seed=seed)
    else:
        from soakd.service.reporting import rehearsed_report

        refuse_existing(report, force=force)
        shown, text = rehearsed_report(wanted, declared, about, plan_file=str(path), seed=seed)
        write_whole(report, text)
    if json_:
        from soakd.report.rehearsed import rehearsed_json

        print_json(rehearsed_json(shown))
    else:
        from rich.console import Console

        from soakd.report.rehearsed import rehearsed_text

        Console(highlight=False).print(rehearsed_text(shown))
    raise typer.Exit({"pass": EXIT_PASS, "fail": EXIT_FAIL, "inconclusive": EXIT_INCONCLUSIVE}[shown.verdict.outcome])


def _share(confidence: str) -> float:
    from soakd import units

    return quantity("--confidence", confidence, units.SHARE, _LEAST, _MOST) / 100.0


def _show(survey: Survey, share: float, plan: Plan, sheet: Sheet, *, on_stderr: bool) -> None:
    from rich.console import Console

    from soakd.report.planned import planned_text

    Console(stderr=on_stderr, highlight=False).print(planned_text(survey, share, plan, sheet.clocks))
