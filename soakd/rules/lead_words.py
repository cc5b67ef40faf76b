"""What each lead says, what a tuner would try, and what would refute it.

All of it is common practice without a published source, but for what `shared/docs/leads.md` names a study for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from soakd.model.lead import LeadName

MORE: Final = "within the maker's limits, by the smallest step, with the heat watched"
"""What goes with every voltage that is raised."""


class Words(NamedTuple):
    """Of one lead; `{who}` stands for the cores, where a lead names some."""

    statement: str
    try_next: str
    refuted_by: str


_LOWER_FIRST: Final = f"Lower the ratio first; more voltage only {MORE}."
WORDS: Final[dict[LeadName, Words]] = {
    "one-core-fast": Words(
        "Wrong results on {who} alone, at its own highest clock only: its ceiling is too high, or its voltage too low",
        f"Give this core a ceiling of its own, one ratio lower; or, {MORE}, a little more voltage at its top ratio.",
        "errors of it at lower clocks, or of other cores at the same clock",
    ),
    "one-core-wide": Words(
        "Wrong results on {who} alone, in wide registers only: less to spare there than the others have",
        f"One ratio less for wide registers, or for this core alone. {_LOWER_FIRST}",
        "errors of it in scalar work, or of other cores in registers as wide",
    ),
    "one-core-hot": Words(
        "Wrong results on {who} alone, and only when hot",
        "Hold the bench cooler, or step this core's ratio down some kelvin below where the errors began.",
        "errors of it on a cool bench, or none in a longer run as hot",
    ),
    "one-core-heavy": Words(
        "Wrong results on {who} alone, in wide registers with all cores active only: voltage sags most there",
        f"One ratio less for wide registers, or with all cores active; or the load line one step. {_LOWER_FIRST}",
        "errors of it when it works alone",
    ),
    "one-core-group": Words(
        "Wrong results on {who} alone, in one group of active cores only: that group's ratio is too high for it",
        f"One ratio less for that group, or a ceiling for this core. {_LOWER_FIRST}",
        "errors of it in the other groups",
    ),
    "one-core-pulses": Words(
        "Wrong results on {who} alone, only where the load comes and goes: voltage is short at the edges",
        "As for all cores at edges: the load line first, then this core's ratio. " + _LOWER_FIRST,
        "errors of it under steady load",
    ),
    "one-core-exchange": Words(
        "Wrong results on {who} alone, only where cores exchange: the cache and the links at its end",
        f"Cache ratio one lower; then the fabric's. {_LOWER_FIRST}",
        "errors of it in work of its own",
    ),
    "one-core-everywhere": Words(
        "Wrong results on {who} alone, under different kinds of load: it has too little to spare as a whole",
        f"A ceiling of its own, one or two ratios lower, or a smaller offset of its curve. {_LOWER_FIRST}",
        "errors of other cores as often; and if they stay at rated settings, the core is defective",
    ),
    "one-core": Words(
        "Wrong results on {who} alone; under which load more than others, this run does not tell",
        "Go on with a plan of different loads on that core that collects more wrong results (`mismatches` in [guard]).",
        "errors of other cores as often",
    ),
    "fast": Words(
        "Errors at the highest clocks only, of no one core: the top ratios are too high for their voltage",
        f"One ratio less for the fewest active cores. {_LOWER_FIRST}",
        "errors at lower clocks",
    ),
    "wide": Words(
        "Errors in wide registers only, of no one core: the ratio for wide registers is too high",
        f"One ratio less for that width (a larger `below`). {_LOWER_FIRST}",
        "errors in scalar work",
    ),
    "hot": Words(
        "Errors only when hot, of no one core",
        "Better cooling, or step the ratios down some kelvin below where the errors began.",
        "errors on a cool bench, or none in a longer run as hot",
    ),
    "heavy": Words(
        "Errors only in wide registers with all cores active, of no one core: voltage sags most there",
        f"One ratio less for wide registers, or with all cores active; or the load line one step. {_LOWER_FIRST}",
        "errors of cores that work alone",
    ),
    "group": Words(
        "Errors in one group of active cores only, of no one core: that group's ratio is too high",
        f"One ratio less for that group. {_LOWER_FIRST}",
        "errors in the other groups",
    ),
    "pulses": Words(
        "Errors only where the load comes and goes: a load transient, which the load line and the regulator answer for",
        f"Another load-line step and a faster regulator setting, one at a time; else one ratio less. {_LOWER_FIRST}",
        "errors under steady load at the same clock",
    ),
    "exchange": Words(
        "Errors only where cores exchange: the cache or the links between cores, not the cores' own arithmetic",
        f"Cache ratio one lower, its step at high current too; then the fabric's clock. {_LOWER_FIRST}",
        "errors in work that does not leave a core",
    ),
    "everywhere": Words(
        "Errors of many cores under different kinds of load: the settings as a whole have too little to spare",
        f"One ratio less for all, or smaller offsets of the curve. {_LOWER_FIRST}",
        "errors that pile up on one core or under one load in a longer run",
    ),
    "not-told-apart": Words(
        "Wrong results, and too few of them to tell where to look",
        "Lower the ratios as a whole, or let the next run collect more (`mismatches` in [guard]) over different loads.",
        "nothing is claimed",
    ),
    "memory": Words(
        "Errors of memory only, in no one byte lane: its voltages, its timings or the memory controller",
        f"One step less data rate, or looser timings; then memory and controller voltages, {MORE}.",
        "errors in work that does not leave the caches",
    ),
    "memory-lane": Words(
        "Errors of memory in one byte lane: that lane's data lines, its timing, or the device behind it",
        "Reseat and exchange the modules and see whether the lane moves with one; then one step less data rate.",
        "errors in the other lanes as often",
    ),
    "machine-checks": Words(
        "The processor reported machine checks, corrected ones too: it was at its edge before results show it",
        f"Read the kernel's log for the bank that reported. {_LOWER_FIRST}",
        "the same reports at rated settings: then it is no matter of tuning",
    ),
    "memory-corrected": Words(
        "Error correction repaired words of memory: without it they would have been wrong results",
        "One step less data rate or looser timings; exchange the modules to see whether the errors move along.",
        "the same count at the modules' rated profile: then it is a module",
    ),
    "memory-uncorrected": Words(
        "Error correction met words of memory that it could not repair",
        "Go back to the rated profile; exchange the modules to see whether the errors move along.",
        "the same count at the modules' rated profile: then it is a module",
    ),
    "went-down-light": Words(
        "The machine went down under light load, few cores at high ratios: voltage at the top ratios, or a transition "
        "between load and rest; or the mains, which looks the same from here",
        f"One ratio less for the fewest active cores. {_LOWER_FIRST}",
        "the same at rated settings, or a record of the mains' failing",
    ),
    "went-down-heavy": Words(
        "The machine went down under heavy load: delivery of power (supply, regulator, its current limit), or voltage "
        "with all cores; or the mains, which looks the same from here",
        "Lower the power limits until it stays up; look at the supply's and the regulator's limits and their heat.",
        "the same at rest or at half the power, or a record of the mains' failing",
    ),
    "went-down-hot": Words(
        "The machine went down hot: the processor's own protection, or what heat does; or the mains",
        "Look at pump, fans and contact of the cooler before the next run; lower the power limits.",
        "the same on a cool bench, or a record of the mains' failing",
    ),
    "went-down": Words(
        "The machine went down; what it did at that moment does not tell why. The mains look the same from here",
        "Run again with the hardware watchdog off and the mains buffered, if they can be.",
        "nothing is claimed",
    ),
    "clock-heat": Words(
        "The clock was not reached because of heat",
        "Better cooling or lower power limits; or declare the clock that it can hold.",
        "the same clocks on a bench that is some kelvin cooler",
    ),
    "clock-power": Words(
        "The clock was not reached because of a power limit",
        "Less voltage at that clock if it stays free of errors; a higher power limit only within the maker's.",
        "the same clocks with a load that takes clearly less power",
    ),
    "clock-reference": Words(
        "The reference clock is not the declared one",
        "Declare the true reference clock, or look for a spread reference clock in the firmware.",
        "points whose clock is off by another share",
    ),
    "clock-host": Words(
        "This is a virtual machine, whose host decides on the clock",
        "Soak on the machine itself.",
        "the same clocks without the host",
    ),
    "clock-unknown": Words(
        "The clock was not reached, and nothing that is read says why",
        "Compare the declared ratios with the firmware's; look at current limits and at limits for wide registers.",
        "a count of throttling, or a reading at a limit",
    ),
    "clock-faster": Words(
        "The clock was above the declared one: other settings are in effect than the sheet's",
        "Read the firmware's settings again and declare what is there.",
        "a sheet whose clocks are met",
    ),
    "pump": Words(
        "The pump, or the coolant's flow, fell in the run",
        "Stop soaking. Look at the pump, its plug and the coolant's level.",
        "the speed stays where it was at equal heat with the load on",
    ),
    "fans": Words(
        "A fan fell in the run to less than half of what it had been",
        "Look whether it is regulated and was meant to; else at the fan, its plug and what blocks it.",
        "it turns as before when the heat is back",
    ),
    "heating-on": Words(
        "With the load gone it went on heating: the heat was not carried away. A pump that stands does that",
        "Stop soaking. Look at the pump, the coolant's flow and the contact of the cooler.",
        "a temperature that falls within seconds when the load goes",
    ),
    "heat": Words(
        "A temperature came to its limit with pump and fans as before: the cooling is too small for this load and room",
        "Lower the power limits or the voltage at equal clocks; look at the contact of the cooler and at the room.",
        "a fan or a pump that was slow",
    ),
    "sensor-lost": Words(
        "A sensor was lost: its driver, its wire or its chip",
        "Read it without load; look at the kernel's log; if it comes back by itself, do not trust it alone.",
        "other channels of the same chip that were lost as well: then it is the chip or the driver",
    ),
}
