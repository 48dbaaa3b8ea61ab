#!/bin/sh
# Install what is missing, then run all tests; arguments go to pytest.
set -eu

cd "$(dirname "$0")/.."
sh .ci/setup.sh tests

# QGIS keeps its profile and sockets to itself, away from the user's own.
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
export XDG_RUNTIME_DIR="$scratch" QGIS_CUSTOM_CONFIG_PATH="$scratch/profile"
export QT_QPA_PLATFORM=offscreen PROJ_DATA="${PROJ_DATA:-/usr/share/proj}"
mkdir -p "$QGIS_CUSTOM_CONFIG_PATH"
chmod 700 "$scratch"

.venv/bin/python -m pytest "$@"
