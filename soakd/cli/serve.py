"""`soakd serve`: the daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def serve(
    config: Annotated[Path | None, typer.Option("--config", help="soakd.toml; every key has a default.")] = None,
) -> None:
    """Run the daemon: queue, guard, journal and API, until it is told to stop. It stops the load first.

    Example: soakd serve --config /etc/soakd/soakd.toml
    """
    from soakd.service.bench import require_linux

    require_linux()
    from soakd.clock import SystemClock
    from soakd.config.files import load_configuration
    from soakd.model.configuration import Configuration
    from soakd.service.daemon import Daemon
    from soakd.service.home import Home
    from soakd.service.logs import configure

    configuration = load_configuration(config) if config else Configuration()
    configure(secrets=[target.url for target in configuration.targets])
    home = Home()
    home.make()
    with home.bench_lock():
        Daemon(home, configuration, SystemClock()).run()
