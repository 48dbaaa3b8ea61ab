#!/bin/sh
# Install what Lakefloor needs on Debian 12 or 13 (testing of November 2026 too). Safe to run again.
#
#   sh .ci/setup.sh          what running it needs: QGIS with its Python
#   sh .ci/setup.sh county   that, and what maps many lakes at once (example_project/county)
#   sh .ci/setup.sh tests    all that, and what the tests need (.venv in this folder)
set -eu

cd "$(dirname "$0")/.."

run_packages="qgis python3-qgis python3-gdal gdal-bin python3-numpy python3-scipy
    python3-shapely python3-pyproj python3-matplotlib fonts-dejavu-core"
county_packages="snakemake python3-yaml"
test_packages="python3-pytest python3-hypothesis python3-venv python3-pip python3-nmea2
    python3-gsw python3-contourpy python3-pyqt6 ca-certificates poppler-utils strace xvfb"

install_missing() {
    missing=""
    for package in "$@"; do
        state=$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null || true)
        [ "$state" = installed ] || missing="$missing $package"
    done
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" -ne 0 ]; then
        echo "These packages are missing; install them as root, then run again:" >&2
        echo "  apt-get install$missing" >&2
        exit 1
    fi
    echo "Installing:$missing"
    apt-get update -qq
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing \
        >/dev/null
}

# shellcheck disable=SC2086
install_missing $run_packages
[ -n "${1:-}" ] || exit 0
# shellcheck disable=SC2086
install_missing $county_packages
[ "$1" = tests ] || exit 0
# shellcheck disable=SC2086
install_missing $test_packages

# The rest comes from the system, so that numpy, scipy and GDAL stay the ones that QGIS was built
# with; a test says so.
if ! .venv/bin/python -c "" 2>/dev/null; then
    rm -rf .venv
    /usr/bin/python3 -m venv --system-site-packages .venv
fi
if ! cmp -s .ci/wheels.txt .venv/wheels.txt; then
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps \
        --only-binary :all: -r .ci/wheels.txt
    cp .ci/wheels.txt .venv/wheels.txt
fi
