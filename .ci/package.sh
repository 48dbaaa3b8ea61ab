#!/bin/sh
# Build the zip that QGIS installs, from what is committed: build/lakefloor-VERSION.zip
set -eu
cd "$(dirname "$0")/.."
version=$(sed -n 's/^version=//p' metadata.txt)
mkdir -p build
git archive --prefix=lakefloor/ -o "build/lakefloor-$version.zip" HEAD
echo "build/lakefloor-$version.zip"
