"""Leaf: how long a round is meant to take. Imports nothing, because every worker process loads it."""

ROUND_S = 0.5
"""The shortest piece of work that is checked as a whole; a stage shorter than a few rounds proves nothing."""
