"""``python -m tuneassist``: the same as the installed command.

Signals are handled before the commands are imported, which takes a noticeable time.
"""

from tuneassist import stopping


def main() -> None:
    """Run the command line."""
    try:
        stopping.handle_signals()
        from tuneassist.cli.app import main as run
    except stopping.Stopped as stop:
        stopping.exit_now(stop.status)
    run()


if __name__ == "__main__":
    main()
