"""The command; `python -m analyzer` is the same as `whynolink`."""

import signal


def main() -> None:
    """Load the command and run it. Ctrl-C while it is loaded ends it at once, without a word."""
    before = signal.signal(signal.SIGINT, signal.SIG_DFL)
    from analyzer import cli

    signal.signal(signal.SIGINT, before)
    cli.main()


if __name__ == "__main__":
    main()
