#!/bin/bash
# Drive a real QGIS window on a virtual screen: bash tests/window/run.sh [FOLDER FOR PICTURES]
# Needs qgis and Xvfb. The plugin is installed from the zip of what is committed, into a new profile.
set -eu
cd "$(dirname "$0")/../.."
pictures=${1:-build/window}
command -v Xvfb >/dev/null || { echo "Xvfb is missing. Install it: apt-get install xvfb" >&2; exit 2; }
mkdir -p "$pictures"
sh .ci/package.sh
scratch=$(mktemp -d)
mkdir "$scratch/display"
Xvfb -displayfd 7 -screen 0 1500x950x24 7>"$scratch/display/number" >/dev/null 2>&1 &
xvfb=$!
trap 'kill $xvfb 2>/dev/null; rm -rf "$scratch"' EXIT
for _ in $(seq 100); do [ -s "$scratch/display/number" ] && break; sleep 0.1; done
[ -s "$scratch/display/number" ] || { echo "Xvfb did not start." >&2; exit 2; }
DISPLAY=":$(head -1 "$scratch/display/number")"
LAKEFLOOR_ZIP=$(ls "$PWD"/build/lakefloor-*.zip | tail -1)
LAKEFLOOR_PICTURES=$(cd "$pictures" && pwd)
export DISPLAY LAKEFLOOR_ZIP LAKEFLOOR_PICTURES LAKEFLOOR_ROOT="$PWD"
export XDG_RUNTIME_DIR="$scratch/run" QGIS_CUSTOM_CONFIG_PATH="$scratch/profile"
# QGIS takes layers in the folder for temporary files to be temporary, and asks when it closes; so
# that folder is another than that of the lakes.
export HOME="$scratch/home" TMPDIR="$scratch/tmp" LAKEFLOOR_LAKES="$scratch/home/Lakes"
unset QT_QPA_PLATFORM QGIS_PLUGINPATH
mkdir -p "$XDG_RUNTIME_DIR" "$QGIS_CUSTOM_CONFIG_PATH/profiles/default/QGIS" "$TMPDIR" "$LAKEFLOOR_LAKES"
chmod 700 "$XDG_RUNTIME_DIR"
cat > "$QGIS_CUSTOM_CONFIG_PATH/profiles/default/QGIS/QGIS3.ini" <<INI
[qgis]
checkVersion=false
showTips322=false
[lakefloor]
lakes_folder=$LAKEFLOOR_LAKES
depth_unit=meters
INI
for part in ${LAKEFLOOR_PARTS:-first_map come_back undo_it on_the_water own_lake}; do
    echo "== $part"
    begun=$SECONDS status=0
    LAKEFLOOR_PART=$part timeout -k 5 "${LAKEFLOOR_LIMIT:-120}" \
        qgis --nologo --noversioncheck --code tests/window/drive.py \
        > "$scratch/$part.log" 2>&1 || status=$?
    grep '^window:' "$scratch/$part.log" || true
    if [ $status -ne 0 ] || ! grep -q '^window: all held' "$scratch/$part.log"; then
        [ $status -ne 124 ] || echo "$part was not over after ${LAKEFLOOR_LIMIT:-120} s."
        tail -40 "$scratch/$part.log"
        echo "$part failed; the last picture: $LAKEFLOOR_PICTURES/failed.png"
        exit 1
    fi
    echo "$part took $((SECONDS - begun)) s"
done
