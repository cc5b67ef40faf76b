"""The API's process with other limits: `web_with_limits.py PARENT SOCKET LIMITS`, where LIMITS is a JSON object."""

import functools
import json
import sys

from soakd.service import web_process
from soakd.web.limits import Limits, Rate

RATES = {"reads", "writes", "strangers"}


def limits(text):
    given = json.loads(text)
    return Limits(**{name: Rate(**value) if name in RATES else value for name, value in given.items()})


if __name__ == "__main__":
    web_process.serve = functools.partial(web_process.serve, limits=limits(sys.argv[3]))
    web_process.main()
