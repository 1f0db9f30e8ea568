"""Tests run side by side, one process a core: each keeps to one thread of its own."""

from __future__ import annotations

import os

if "PYTEST_XDIST_WORKER" in os.environ:
    # Read by the numerical libraries when they are first imported, so set before any of them is.
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
