"""Which version of the program this is."""

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """The installed version, or "unknown" when run from a source tree that was never installed."""
    try:
        return version("autocal")
    except PackageNotFoundError:
        return "unknown"
