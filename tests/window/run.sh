#!/bin/bash
# Drive a real QGIS window on a virtual screen: bash tests/window/run.sh [FOLDER FOR PICTURES]
# Needs qgis and Xvfb. The plugin is installed from the zip of what is committed, into a new profile.
set -eu
cd "$(dirname "$0")/../.."
pictures=${1:-build/window}
mkdir -p "$pictures"
sh .ci/package.sh
# Not in a folder for temporary files: QGIS warns of layers there when it closes.
scratch=$(mktemp -d "$HOME/lakefloor-window-XXXXXX")
display=$(mktemp)
exec 3<>"$display"
Xvfb -displayfd 3 -screen 0 1500x950x24 >/dev/null 2>&1 &
xvfb=$!
trap 'kill $xvfb; rm -rf "$scratch" "$display"' EXIT
for _ in $(seq 50); do [ -s "$display" ] && break; sleep 0.1; done
export DISPLAY=":$(head -1 "$display")"
export XDG_RUNTIME_DIR="$scratch/run" QGIS_CUSTOM_CONFIG_PATH="$scratch/profile" HOME="$scratch/home"
export LAKEFLOOR_ZIP="$(ls "$PWD"/build/lakefloor-*.zip | tail -1)" LAKEFLOOR_ROOT="$PWD"
export LAKEFLOOR_PICTURES="$(cd "$pictures" && pwd)" LAKEFLOOR_LAKES="$scratch/home/Lakes"
mkdir -p "$XDG_RUNTIME_DIR" "$QGIS_CUSTOM_CONFIG_PATH/profiles/default/QGIS" "$HOME" "$LAKEFLOOR_LAKES"
chmod 700 "$XDG_RUNTIME_DIR"
cat > "$QGIS_CUSTOM_CONFIG_PATH/profiles/default/QGIS/QGIS3.ini" <<INI
[PythonPlugins]
processing=true
[qgis]
checkVersion=false
showTips322=false
[lakefloor]
lakes_folder=$LAKEFLOOR_LAKES
INI
command -v openbox >/dev/null && (openbox >/dev/null 2>&1 &)
for part in first_map come_back own_lake; do
    echo "== $part"
    LAKEFLOOR_PART=$part timeout -k 5 150 qgis --nologo --noversioncheck --code tests/window/drive.py \
        > "$scratch/$part.log" 2>&1 || { tail -40 "$scratch/$part.log"; exit 1; }
    grep '^window:' "$scratch/$part.log" || { tail -40 "$scratch/$part.log"; exit 1; }
    grep -q '^window: all held' "$scratch/$part.log" || { tail -40 "$scratch/$part.log"; exit 1; }
done
