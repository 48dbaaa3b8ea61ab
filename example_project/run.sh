#!/bin/sh
# Install what is missing, then map the example lake, headless: the models "Logs to lake map",
# "Structure and bottom type" and "Plan the next outing", and the report in plain words.
#
#   bash example_project/run.sh [OUTPUT_FOLDER]
set -eu

here=$(cd "$(dirname "$0")" && pwd)
root=$(dirname "$here")
output=${1:-$here/output}

sh "$root/.ci/setup.sh"

# A profile of its own: the user's QGIS stays as it is.
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
chmod 700 "$scratch"
mkdir -p "$scratch/plugins" "$scratch/profile" "$output/project"
ln -s "$root" "$scratch/plugins/lakefloor"
export QGIS_PLUGINPATH="$scratch/plugins" QGIS_CUSTOM_CONFIG_PATH="$scratch/profile"
export XDG_RUNTIME_DIR="$scratch" QT_QPA_PLATFORM=offscreen

# Debian 12 wraps qgis_process in a script that passes an option it refuses.
qgis_process=$(command -v qgis_process.bin || command -v qgis_process)
"$qgis_process" plugins enable lakefloor >"$scratch/enable.log" 2>&1 ||
    { cat "$scratch/enable.log" >&2; exit 1; }

"$qgis_process" run lakefloor:logstolakemap -- \
    LOG_FOLDER="$here/logs" \
    SHORELINE="$here/shoreline.geojson" \
    GAUGE="$here/gauge.csv" \
    LEVEL_UNIT=feet DATUM_ELEVATION=2 DATUM_NAME="dock gauge" \
    TITLE="Lake Marrowby" \
    "uncertaintybudget:Soundings=$output/soundings.gpkg" \
    "tinsurface:TIN surface=$output/depth_tin.tif" \
    "idwsurface:IDW surface=$output/depth_idw.tif" \
    "smoothsurface:Smooth surface=$output/depth_smooth.tif" \
    "depthcontours:Depth contours=$output/contours.gpkg" \
    "depthareas:Depth areas=$output/depth_areas.gpkg" \
    "bottomslope:Bottom slope=$output/slope.tif" \
    "breaklines:Breaklines=$output/break_lines.gpkg" \
    "mapsheet:Map sheet=$output/map_sheet.pdf" \
    "lakeproject:Lake project=$output/project/lake.qgz"

mkdir -p "$output/structure" "$output/outing"
"$qgis_process" run lakefloor:structureandbottomtype -- \
    SURFACE="$output/depth_smooth.tif" \
    SHORELINE="$here/shoreline.geojson" \
    SOUNDINGS="$output/soundings.gpkg" \
    TITLE="Lake Marrowby" \
    "depthcontours:Depth contours=$output/structure/contours.gpkg" \
    "bottomslope:Bottom slope=$output/structure/slope.tif" \
    "breaklines:Breaklines=$output/structure/break_lines.gpkg" \
    "bottomforms:Bottom forms=$output/structure/bottom_forms.gpkg" \
    "bottomtype:Bottom type=$output/structure/bottom_type.tif" \
    "bottomtype:Bottom type report=$output/structure/bottom_type.html" \
    "hardsofttransitions:Hard-soft transitions=$output/structure/transitions.gpkg" \
    "candidatespots:Candidate spots=$output/structure/spots.gpkg" \
    "exportwaypoints:Waypoints=$output/structure/spots.gpx" \
    "structuresheets:Structure sheets=$output/structure/sheets.pdf"

"$qgis_process" run lakefloor:planthenextouting -- \
    SURFACE="$output/depth_smooth.tif" \
    SHORELINE="$here/shoreline.geojson" \
    LAUNCH="-94.605899,46.456116 [EPSG:4326]" \
    "breaklines:Breaklines=$output/outing/break_lines.gpkg" \
    "nextouting:Lanes of the next outing=$output/outing/lanes.gpkg" \
    "nextouting:Survey gaps=$output/outing/gaps.gpkg" \
    "nextouting:Route for the GPS device=$output/outing/route.gpx"

"$qgis_process" run lakefloor:lakereport -- \
    CONTOURS="$output/contours.gpkg" SHORELINE="$here/shoreline.geojson" \
    DEPTH_AREAS="$output/depth_areas.gpkg" SURFACE="$output/depth_smooth.tif" \
    BREAKLINES="$output/break_lines.gpkg" SOUNDINGS="$output/soundings.gpkg" \
    TITLE="Lake Marrowby" AUTHOR="Ingrid Tolvanen" \
    OUTPUT="$output/lake_report.pdf" WEB_PAGE="$output/lake_report.html"

for surface in tin idw; do
    echo "How far the $surface surface is from the true bottom:"
    /usr/bin/python3 "$here/compare.py" "$output/depth_$surface.tif"
done
echo "How far the smooth surface, from which the map is drawn, is from the true bottom:"
/usr/bin/python3 "$here/compare.py" "$output/depth_smooth.tif" --lines "$output/break_lines.gpkg"
echo "The map: $output/map_sheet.pdf, sheets of spots: $output/structure/sheets.pdf"
echo "The lake in plain words: $output/lake_report.pdf, the project: $output/project/lake.qgz"
