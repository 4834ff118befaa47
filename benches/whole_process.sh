#!/bin/sh
# Speed of the whole process against SciPy in the same run: `asleft analyse` of 10 minutes of 96 kHz, 24-bit stereo,
# beside scipy.signal.welch alone (flat-top, 65,536, half overlap) on the same samples already in memory.
# Prints both times, their ratio, the peak memory of asleft, and the time of `--help` and `demo`.
set -eu
cd "$(dirname "$0")/.."

minutes=${MINUTES:-10}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

python=${PYTHON:-python3}
if ! "$python" -c 'import scipy' 2>/dev/null; then
    if ! [ -x target/bench-python/bin/python ]; then
        python3 -m venv target/bench-python || { echo "bench: install python3-venv, or set PYTHON to one with scipy" >&2; exit 1; }
        target/bench-python/bin/pip install --quiet numpy scipy
    fi
    python=target/bench-python/bin/python
fi

cargo build --release --locked --quiet
asleft=target/release/asleft
"$asleft" generate tone --frequency 997 --level -3 --seconds $((minutes * 60)) --rate 96000 --bits 24 --out "$work/tone.wav" >/dev/null
rm -f "$work/tone.stimulus.toml"

"$python" benches/whole_process.py "$asleft" "$work/tone.wav"
