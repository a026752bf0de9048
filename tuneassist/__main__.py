"""``python -m tuneassist``: the same as the installed command."""

from tuneassist.cli.app import main

if __name__ == "__main__":
    main()
