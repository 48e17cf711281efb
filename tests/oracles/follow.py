"""follow.py DIRECTORY: scores the onsets that Fogbell heard (tests/follow.rs leaves them there) with mir_eval.

Each NAME.heard.csv has NAME.truth.csv beside it, seconds a line. A kit's off-beat hats are onsets and not in the
truth, so a kit is only asked for its recall. Source: mir_eval.onset.f_measure, windows of 10 and 5 ms.
"""

import sys
import warnings
from pathlib import Path

import mir_eval
import numpy as np


def main(folder):
    warnings.filterwarnings("ignore")
    passed = failed = 0
    for path in sorted(Path(folder).glob("*.heard.csv")):
        name = path.name.removesuffix(".heard.csv")
        heard, truth = np.loadtxt(path, ndmin=1), np.loadtxt(path.with_name(f"{name}.truth.csv"), ndmin=1)
        for window in (0.010, 0.005):
            f, precision, recall = mir_eval.onset.f_measure(truth, heard, window=window)
            good = recall >= 0.99 and (name.startswith("kit") or precision >= 0.95)
            passed, failed = passed + good, failed + (not good)
            print(
                f"{'ok  ' if good else 'FAIL'} {name} within {window * 1000:.0f} ms: "
                f"F {f:.3f} P {precision:.3f} R {recall:.3f}"
            )
    print(f"oracles: {passed} passed, {failed} failed")
    return 1 if failed or not passed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
