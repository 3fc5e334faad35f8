#!/usr/bin/env bash
# The R package: built and checked without an error, warning or note; its vignette built without the program; the R
# code of the guide run and compared with what is printed there. PINFEATHER names the program.
set -euo pipefail
root="$(cd "$(dirname "$0")/../.." && pwd)"
place="$(mktemp -d)"
trap 'rm -rf "$place"' EXIT
cd "$place"
# Messages in English, letters beyond ASCII as they are.
export LC_ALL=C.UTF-8 _R_CHECK_FORCE_SUGGESTS_=true
PINFEATHER="$(realpath "$PINFEATHER")"
export PINFEATHER
R CMD build "$root/r" >build.log || { cat build.log; exit 1; }
R CMD check --no-manual pinfeather_*.tar.gz >check.log || { cat check.log pinfeather.Rcheck/tests/*.fail; exit 1; }
grep -q '^Status: OK$' check.log || { cat check.log; exit 1; }
# Where there is no program the vignette is built all the same, with a line that says so.
mkdir without
( cd without; PINFEATHER="$place/none" R CMD build "$root/r" >build.log || { cat build.log; exit 1; } )
tar -xOf without/pinfeather_*.tar.gz pinfeather/inst/doc/pinfeather.html | grep -q "was not found when this page was made"
R_LIBS="$place/pinfeather.Rcheck" Rscript "$root/tests/r/guide.R" "$root/guide/src/r.md"
echo "R package: $(grep '^Status' check.log)"
