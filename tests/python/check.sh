#!/usr/bin/env bash
# The Python package: its wheel built by one command, installed beside pandas, polars and Spark, its tests, its example
# and the Python code of the guide run. PINFEATHER names the program, whose tables the tests compare with.
set -euo pipefail
root="$(cd "$(dirname "$0")/../.." && pwd)"
target="$(realpath -m "${CARGO_TARGET_DIR:-$root/target}")"
place="$(mktemp -d)"
trap 'rm -rf "$place"' EXIT
PINFEATHER="$(realpath "$PINFEATHER")"
export PINFEATHER PYTHONDONTWRITEBYTECODE=1 PYTHONWARNINGS=ignore
cd "$place"
python3 -m venv venv
export PATH="$place/venv/bin:$PATH" PYSPARK_PYTHON="$place/venv/bin/python" SPARK_LOCAL_IP=127.0.0.1
pip install --quiet --disable-pip-version-check -r "$root/tests/python/requirements.txt"
CARGO_TARGET_DIR="$target/python" maturin build --release --locked --quiet \
  --manifest-path "$root/python/Cargo.toml" --out wheels
pip install --quiet --disable-pip-version-check wheels/*.whl
mypy --strict --disable-error-code import-untyped --no-error-summary --cache-dir "$place/mypy" -p pinfeather
python -m pytest -q -p no:cacheprovider --rootdir "$place" "$root/python/tests"
python "$root/python/examples/from_frames.py" "$root/data-demo" >/dev/null
python "$root/tests/python/guide.py" "$root/guide/src/python.md"
echo "Python package: $(ls wheels)"
