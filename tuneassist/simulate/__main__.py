"""``python -m tuneassist.simulate FOLDER`` writes the simulated sample logs."""

from __future__ import annotations

import sys
from pathlib import Path

from tuneassist.simulate.samples import write_sample_logs


def main(arguments: list[str]) -> int:
    """Write the sample logs into the folder that was named; return the exit status."""
    if len(arguments) != 1:
        sys.stderr.write("Usage: python -m tuneassist.simulate FOLDER\n")
        return 2
    for path in write_sample_logs(Path(arguments[0])):
        sys.stdout.write(f"{path} (simulated)\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
