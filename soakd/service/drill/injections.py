"""What is done to a drill's run."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING, Final

from soakd.service.drill import tree
from soakd.service.drill.drills import USUAL_S
from soakd.service.drill.play import DRIVE
from soakd.service.drill.plugins import HANGS

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.service.drill.live import Live

HOT_C: Final = 93.0
"""Above the guard's limit of 90 °C: 5 K below what the made sensor calls critical."""
WARM_C: Final = 85.0
"""Below it."""
HOTTER_C: Final = 94.0
"""Above the limiter's setting, 3 K above the guard's limit."""
_FILL_BYTES: Final = 4096


def kill_worker(live: Live) -> None:
    live.send(signal.SIGKILL, live.workers[0])


def stop_worker(live: Live) -> None:
    live.send(signal.SIGSTOP, live.workers[0])


def kill_guard(live: Live) -> None:
    live.send(signal.SIGKILL, live.guard)


def stop_guard(live: Live) -> None:
    live.send(signal.SIGSTOP, live.guard)


def wake_guard(live: Live) -> None:
    live.send(signal.SIGCONT, live.guard)


def stop_guard_and_keeper(live: Live) -> None:
    live.send(signal.SIGSTOP, live.keeper, live.guard)


def kill_crew(live: Live) -> None:
    live.send(signal.SIGKILL, live.crew)


def stop_crew(live: Live) -> None:
    live.send(signal.SIGSTOP, live.crew)


def kill_limiter(live: Live) -> None:
    live.send(signal.SIGKILL, live.limiter)


def kill_keeper(live: Live) -> None:
    live.send(signal.SIGKILL, live.keeper)


def stop_keeper(live: Live) -> None:
    live.send(signal.SIGSTOP, live.keeper)


def wake_keeper(live: Live) -> None:
    live.send(signal.SIGCONT, live.keeper)


def kill_all(live: Live) -> None:
    """As if the mains had failed."""
    live.send(signal.SIGKILL, live.keeper, live.guard, live.limiter, live.crew, *live.workers)


def stop_by_hand(live: Live) -> None:
    live.send(signal.SIGINT, live.keeper)


def take_core(live: Live) -> None:
    """Of the process that keeps the journal, which looks at the settings; the workers keep theirs."""
    os.sched_setaffinity(live.keeper, {min(os.sched_getaffinity(live.keeper))})


def fill_drive(live: Live) -> None:
    """Another program takes all the room that the state folder has."""
    fill = f"/proc/{live.keeper}/root{live.folder / DRIVE / 'fill'}"
    descriptor = os.open(fill, os.O_WRONLY | os.O_CREAT, 0o600)
    try:
        while os.write(descriptor, bytes(_FILL_BYTES)):
            pass
    except OSError:
        return
    finally:
        os.close(descriptor)


def hang_plugin(live: Live) -> None:
    (live.folder / HANGS).touch()


def heat(celsius: float) -> Callable[[Live], None]:
    return lambda live: live.tree.heat(celsius)


def hide_from_limiter(live: Live) -> None:
    """The limiter takes the first 64 bytes of a file, the guard all of it."""
    live.tree.put(tree.TEMPERATURE, f"{'':64}{tree.REST_C * 1000:.0f}")


def rise(live: Live) -> None:
    """By 2 K a second, for as long as the load is there."""

    def risen() -> bool:
        live.tree.heat(tree.REST_C + 2.0 * live.since_s())
        return live.load_gone()

    live.wait(risen, USUAL_S)


def remove_sensor(live: Live) -> None:
    live.tree.remove_sensor()


def raise_fault(live: Live) -> None:
    live.tree.put(tree.FAULT, 1)


def correct_memory(live: Live) -> None:
    live.tree.put(tree.CORRECTED, 3)


def throttle(live: Live) -> None:
    live.tree.put(tree.throttle_count(), 3)


def renew_firmware(live: Live) -> None:
    live.tree.put(tree.FIRMWARE_DATE, "04/01/2026")


def swap(live: Live) -> None:
    """64 MiB in pages of 4 KiB."""
    live.tree.put(tree.SWAP, f"pswpin 0\npswpout {64 * 256}")


def overheat_stopped_guard(live: Live) -> None:
    stop_guard(live)
    live.tree.heat(HOTTER_C)


def heat_on(live: Live) -> None:
    """The load goes for its limit, and the sensor rises further all the same."""
    live.tree.heat(HOT_C)
    if live.wait(live.load_gone, 5.0):
        live.mark()
        live.tree.heat(HOT_C + 7.0)


def cool_down(live: Live) -> None:
    live.tree.heat(tree.REST_C)
