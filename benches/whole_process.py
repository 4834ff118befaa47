"""Times `asleft analyse` as a process beside scipy.signal.welch as a call, on the same file, in one run."""

import os
import subprocess
import sys
import tempfile
import time

import numpy as np
from scipy.signal import welch


def samples_24_bit_stereo(path):
    """The samples of a plain 24-bit stereo WAV as float64, one row a channel."""
    raw = np.fromfile(path, dtype=np.uint8)
    start = raw[:4096].tobytes().index(b"data") + 8
    body = raw[start:]
    body = body[: body.size // 6 * 6].reshape(-1, 3)
    wide = np.zeros((body.shape[0], 4), dtype=np.uint8)
    wide[:, 1:] = body
    return (wide.view("<i4").ravel() / 2.0**31).reshape(-1, 2).T.copy()


def timed(call, repeats):
    """Shortest of several runs, in seconds."""
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def main():
    asleft, path = sys.argv[1:]
    seconds = os.path.getsize(path) / (96_000 * 6)
    analyse = [asleft, "analyse", "--json", path]

    ours = timed(lambda: subprocess.run(analyse, stdout=subprocess.DEVNULL, check=True), 3)
    with tempfile.TemporaryFile("w+") as usage:
        script = (
            "import resource, subprocess, sys;"
            "subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True);"
            "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
        )
        subprocess.run([sys.executable, "-c", script, *analyse], stdout=usage, check=True)
        usage.seek(0)
        peak = int(usage.read()) / 1024

    data = samples_24_bit_stereo(path)
    theirs = timed(lambda: welch(data, fs=96_000, window="flattop", nperseg=65_536, noverlap=32_768), 2)

    start_up = timed(lambda: subprocess.run([asleft, "--help"], stdout=subprocess.DEVNULL, check=True), 10)
    with tempfile.TemporaryDirectory() as folder:
        demo = timed(
            lambda: subprocess.run(
                [asleft, "demo", "--out", os.path.join(folder, "demo")],
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True,
            ),
            1,
        )

    print(f"capture                        {seconds:8.1f} s of 96 kHz, 24-bit stereo")
    print(f"asleft analyse, whole process  {ours:8.3f} s  ({seconds / ours:.0f} x real time), peak {peak:.0f} MiB")
    print(f"scipy.signal.welch alone       {theirs:8.3f} s  ({seconds / theirs:.0f} x real time)")
    print(f"ratio                          {theirs / ours:8.1f}")
    print(f"asleft --help                  {1000 * start_up:8.1f} ms")
    print(f"asleft demo                    {demo:8.1f} s")


if __name__ == "__main__":
    main()
