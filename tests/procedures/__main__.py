"""All bench tests as whole procedures: python -m tests.procedures [--times 2000] [NAME …]."""

from __future__ import annotations

import argparse
import sys
import time

from tests.procedures import blank, calibrating, calibration_limits, cups, dripping

PROCEDURES = {
    "calibrating": calibrating.figures,
    "calibration_limits": calibration_limits.figures,
    "cups": cups.figures,
    "dripping": dripping.figures,
    "blank": blank.figures,
}


def main() -> int:
    """Print every figure; 1 when one is out of its bounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=2000, help="procedures of each kind")
    parser.add_argument("names", nargs="*", choices=[*PROCEDURES, []], help="default: all")
    asked = parser.parse_args()
    good = True
    for name in asked.names or PROCEDURES:
        began_s = time.process_time()
        for figure in PROCEDURES[name](asked.times):
            print(figure, flush=True)
            good = good and figure.good
        print(f"  {name}: {time.process_time() - began_s:.0f} s of one core", flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
