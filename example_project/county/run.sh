#!/bin/sh
# Map all lakes of a county on this machine, and write a summary table and a report over all.
#
#   sh example_project/county/run.sh [LAKES [OUTPUT]] [-- OPTIONS OF SNAKEMAKE]
#
# Without LAKES, a dozen invented lakes are made and mapped. CORES=N takes N cores instead of all,
# UNIT=meters gives the report in meters.
# Ends with 0 if all lakes are mapped, 3 if the report names lakes that could not be mapped, 1 if the
# workflow itself could not be finished.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
lakes="" output=""
while [ $# -gt 0 ] && [ "$1" != -- ]; do
    if [ -z "$lakes" ]; then lakes=$1; else output=$1; fi
    shift
done
[ $# -eq 0 ] || shift
sh "$here/../../.ci/setup.sh" county

# Lakes that are there stay as they are, so that edited ones are not lost.
if [ -z "$lakes" ]; then
    lakes=$here/lakes
    if [ ! -d "$lakes" ]; then
        /usr/bin/python3 "$here/make_lakes.py" "$here/output/new_lakes"
        mv "$here/output/new_lakes" "$lakes"
    fi
fi
output=${output:-$here/output}
mkdir -p "$output"
lakes=$(cd "$lakes" && pwd) output=$(cd "$output" && pwd)

# The lock lasts as long as any job of an earlier run that was killed.
exec 9>"$output/.lock"
flock -n 9 || { echo "Another run still works in $output. Wait for it to end." >&2; exit 1; }

free_mb=$(awk '/MemAvailable/ {print int($2 / 1024)}' /proc/meminfo)
snakemake -s "$here/Snakefile" --profile "$here/profiles/local" --directory "$output" \
    --cores "${CORES:-all}" --resources "mem_mb=$free_mb" "$@" --config "lakes=$lakes" "unit=${UNIT:-feet}" || exit 1

echo "The table: $output/summary.csv, the report: $output/report.html"
if grep -qs ",not mapped," "$output/summary.csv"; then
    echo "Some lakes could not be mapped; the report says why."
    exit 3
fi
