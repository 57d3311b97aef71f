"""Compiled inner loops; the only place that imports numba."""
