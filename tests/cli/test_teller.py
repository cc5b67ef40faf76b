"""Telling costs nothing while there is nothing to tell: the load has the cores."""

import time

from run_parts import record, tick

from soakd.cli.teller import Teller


def test_a_teller_rests_between_events(capfd):
    teller = Teller(quiet=False)
    teller.starting(record())
    teller.event(tick(1.0))
    time.sleep(0.2)
    before = time.process_time()
    time.sleep(0.5)
    used = time.process_time() - before
    teller.close()
    assert used < 0.25, "half a second of waiting is not half a second of work"
    assert "stops above 90 °C" in capfd.readouterr().err
