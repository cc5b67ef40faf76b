"""Workloads: computations that load a core densely and prove themselves exactly.

Every worker imports this room, so the package itself imports nothing.
"""
