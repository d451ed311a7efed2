"""Where the command ``autocell`` begins, also as ``python -m autocell.cli``.

Nothing is imported before the ``try``: an interrupt during the imports is no traceback either.
"""


def run() -> int:
    """Run the command line; the exit code."""
    try:
        from autocell.cli.main import main

        return main()
    except KeyboardInterrupt:
        return 4


if __name__ == "__main__":
    raise SystemExit(run())
