"""Looks at the bench, or drafts a plan for it, for a page: see `idle`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from soakd.clock import SystemClock
from soakd.config.files import parsed
from soakd.model.configuration import Configuration
from soakd.model.sheet import Sheet
from soakd.service.home import Home
from soakd.service.idle import answered
from soakd.service.starting import draft, look


def _do(asked: dict[str, Any]) -> dict[str, Any]:
    own = Configuration.model_validate_json(json.dumps(asked["configuration"]))
    clock = SystemClock()
    if "sheet" in asked:
        sheet = parsed(asked["sheet"], Sheet, "the sheet")
        return draft(sheet, asked["hours"], own, clock).model_dump(mode="json")
    return look(Home(Path(asked["home"])), own, clock).model_dump(mode="json")


if __name__ == "__main__":
    answered(_do)
