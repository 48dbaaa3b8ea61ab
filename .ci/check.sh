#!/bin/sh
# The checks that need no QGIS and run no tests: sh .ci/check.sh [lint] [format] [types]
set -eu
cd "$(dirname "$0")/.."
[ $# -gt 0 ] || set -- lint format types
for check in "$@"; do
    echo "check: $check"
    case "$check" in
        lint) .venv/bin/ruff check . ;;
        format) .venv/bin/ruff format --check --quiet . ;;
        types) .venv/bin/python .ci/check_types.py ;;
        *) echo "There is no check '$check'; there are lint, format and types." >&2; exit 2 ;;
    esac
done
