"""Workloads that load several parts of a core, or differently loaded cores, at the same time."""
