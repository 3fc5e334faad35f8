#!/bin/sh
# Times SciPy's curve_fit and R's nls, where they are installed, on the birds that
# benches/fit.rs fits, and prints how many times longer they take.
#
# usage: benches/compare_fit.sh [PYTHON]
set -eu
cd "$(dirname "$0")/.."
python=${1:-python3}
birds=$(mktemp)
theirs=$(mktemp)
trap 'rm -f "$birds" "$theirs"' EXIT

# Ours, and the birds themselves, from the one place that makes them.
ours=$(BIRDS_CSV="$birds" cargo bench --quiet --bench fit 2>/dev/null | grep '^ours')

: >"$theirs"
if "$python" -c 'import scipy' 2>/dev/null; then
    "$python" benches/compare_fit.py "$birds" >>"$theirs"
else
    echo "SciPy is not installed: not compared"
fi
if command -v Rscript >/dev/null; then
    Rscript benches/compare_fit.R "$birds" >>"$theirs"
else
    echo "R is not installed: not compared"
fi
printf '%s\n' "$ours" | cat - "$theirs" | awk -F '\t' '
    BEGIN { printf "%-8s %-10s %8s %12s %8s %8s\n", "engine", "curve", "birds", "us a fit", "failed", "ratio" }
    $1 == "ours" { ours[$2] = $4 }
    { ratio = ($2 in ours) ? sprintf("%.1f", $4 / ours[$2]) : "-"
      printf "%-8s %-10s %8d %12.1f %8d %8s\n", $1, $2, $3, $4, $5, ratio }'
