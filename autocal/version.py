"""Which version of the program this is."""


def program_version() -> str:
    """The installed version, or "unknown" when run from a source tree that was never installed."""
    from importlib.metadata import PackageNotFoundError, version  # with the parsers of mail behind it

    try:
        return version("autocal")
    except PackageNotFoundError:
        return "unknown"
