"""`soakd plan hours`: how long a run has to be for what it is to show."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from soakd.cli.options import Json, print_json, quantity

_LEAST, _MOST = 50.0, 99.99
_LONGEST_S = 100.0 * 365.0 * 86_400.0


def hours(
    mean: Annotated[str, typer.Argument(help='The mean time between errors that is to be shown: "100 h".')],
    confidence: Annotated[str, typer.Option("--confidence", help='"90 %", from 50 to 99.99 %.')] = "95 %",
    errors: Annotated[int, typer.Option("--errors", min=0, max=100, help="Up to so many errors allowed.")] = 2,
    published: Annotated[
        bool, typer.Option("--published", help="The fixed-length tests of MIL-HDBK-781A, too.")
    ] = False,
    json_: Json = False,
) -> None:
    """Tell the checked load that shows a mean time between errors, by the number of errors that it may have.

    Example: soakd plan hours "4 h" --confidence "90 %"
    """
    from soakd import units
    from soakd.report.hours import hours_json, hours_lines

    mean_s = quantity("MEAN", mean, units.TIME, 1.0, _LONGEST_S)
    share = quantity("--confidence", confidence, units.SHARE, _LEAST, _MOST) / 100.0
    if json_:
        print_json(hours_json(mean_s, share, errors, published=published))
    else:
        sys.stdout.writelines(f"{line}\n" for line in hours_lines(mean_s, share, errors, published=published))
