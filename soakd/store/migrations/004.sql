-- What every worker had done by each tick, so that a run whose end is missing still tells where it dwelt.

ALTER TABLE tick ADD COLUMN progress BLOB; -- little-endian uint32, for each worker: core, rounds, wrong results, and
                                           -- checked, core's and last round's time in ms; NULL without workers
