"""``python -m tuneassist.simulate FOLDER`` writes the simulated sample logs."""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path
from typing import Any

from tuneassist.errors import TuneassistError


def main(arguments: list[str]) -> int:
    """Write the sample logs into the given folder; return the exit status."""
    try:
        options = _parser().parse_args(arguments)
    except SystemExit as end:  # after help, version or a usage error
        return end.code if isinstance(end.code, int) else 2
    from tuneassist.simulate.sample_logs import write_sample_logs

    try:
        for path in write_sample_logs(options.folder):
            sys.stdout.write(f"{path} (simulated)\n")
    except (OSError, TuneassistError) as error:
        sys.stderr.write(f"{options.folder}: the sample logs cannot be written: {error}\n")
        return 3
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tuneassist.simulate",
        description="Write simulated sample logs with their setups and true values.",
        allow_abbrev=False,
    )
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="where to write them")
    package: Any = importlib.import_module("tuneassist")  # its layer is above this one
    parser.add_argument("--version", action="version", version=f"tuneassist {package.__version__}")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
