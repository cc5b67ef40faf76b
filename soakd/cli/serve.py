"""`soakd serve`: the daemon."""

from __future__ import annotations

from soakd.cli.options import Config


def serve(config: Config = None) -> None:
    """Run the daemon: queue, guard, journal and API, until it is told to stop. It stops the load first.

    Example: soakd serve --config /etc/soakd/soakd.toml
    """
    from soakd.service.bench import require_linux

    require_linux()
    from soakd.clock import SystemClock
    from soakd.config.files import configuration_for
    from soakd.service.daemon import Daemon
    from soakd.service.home import Home
    from soakd.service.logs import configure

    home = Home()
    configuration = configuration_for(config, home.folder)
    configure(secrets=[target.url for target in configuration.targets])
    home.make()
    with home.bench_lock():
        Daemon(home, configuration, SystemClock()).run()
