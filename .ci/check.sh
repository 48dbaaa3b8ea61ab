#!/bin/sh
# The checks that need no QGIS and run no tests: sh .ci/check.sh [lint] [format] [types] [house]
set -eu
cd "$(dirname "$0")/.."
[ $# -gt 0 ] || set -- lint format types house
for check in "$@"; do
    echo "check: $check"
    case "$check" in
        lint) .venv/bin/ruff check . ;;
        format) .venv/bin/ruff format --check --quiet . ;;
        types) .venv/bin/python .ci/check_types.py ;;
        house) .venv/bin/python .ci/house.py --check ;;
        *) echo "There is no check '$check'; there are lint, format, types and house." >&2; exit 2 ;;
    esac
done
