"""Measurements of speed and memory, each against its bar. `python -m benchmarks` writes their table."""
