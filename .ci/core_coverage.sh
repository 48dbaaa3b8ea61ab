#!/bin/sh
# The tests of core under coverage, lines and branches, threads too; fails below the share in
# pyproject.toml. Arguments go to pytest.
set -eu
cd "$(dirname "$0")/.."
export COVERAGE_FILE="${COVERAGE_FILE:-build/coverage}"
mkdir -p build
.venv/bin/python -m coverage run -m pytest -p no:pytest_qgis tests/core "$@"
.venv/bin/python -m coverage report --skip-covered
