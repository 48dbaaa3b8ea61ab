#!/bin/sh
# The tests of core under coverage, lines and branches, threads too; fails where a test does, and
# below the share in pyproject.toml. Arguments go to pytest.
set -eu
cd "$(dirname "$0")/.."
export COVERAGE_FILE="${COVERAGE_FILE:-build/coverage}"
mkdir -p build
failed=0
.venv/bin/python -m coverage run -m pytest -p no:pytest_qgis tests/core "$@" || failed=1
.venv/bin/python -m coverage report --skip-covered || failed=1
exit "$failed"
