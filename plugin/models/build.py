"""Write the shipped models, in the oldest supported QGIS.

``QT_HASH_SEED=0 QT_QPA_PLATFORM=offscreen /usr/bin/python3 plugin/models/build.py``

The seed keeps attributes in one order. The registered provider gives every child its parameters;
each is set, since a model is not valid otherwise.
"""

from database_models import add_a_visit, logs_to_lake_database, map_of_lake_database
from lake_map_models import logs_to_lake_map
from model_writer import Model, ModelInputs, load_provider
from qgis.core import QgsApplication, QgsProcessingParameterPoint
from structure_models import structure_from_a_surface


def plan_the_next_outing():
    """From a surface to the gaps that matter and the lanes for the time at hand."""
    model = Model(
        "Plan the next outing",
        "outings,trip,survey plan,gaps,survey gap,holidays,data gaps,lanes,transects,route,GPX,"
        "launch,boat ramp,uncertainty,where to survey next,workflow",
        "Shows where the map does not support the contours that you want. It plans lanes that "
        "lower the uncertainty most in the time that you have. Use it before each trip.\n\n"
        "The outing begins and ends at the launch. Places along a drop-off count double. The "
        "lanes are also written as GPX for a GPS device or chartplotter.\n\n"
        "Weather, cold water, shallows and local rules come first. Plans are not for navigation.",
        visible=(
            "SURFACE", "SHORELINE", "LAUNCH", "TIME", "SPEED",
            "nextouting:Lanes of the next outing", "nextouting:Route for the GPS device",
        ),
    )  # fmt: skip
    inputs = ModelInputs(model)
    inputs.surface()
    inputs.shoreline()
    inputs.contours()
    inputs.add(
        QgsProcessingParameterPoint("LAUNCH", "Launch point"), "Where the outing begins and ends."
    )
    inputs.number(
        "TIME", "Time on the water (min)", 60.0, "Time from the launch and back, with turns."
    )
    inputs.number("SPEED", "Speed on lanes (mph)", 5.0, "About 5 mph suits most transducers.")
    inputs.number(
        "MIN_DEPTH",
        "Shallowest depth (m)",
        0.6,
        "Water that the surface shows as shallower is not entered.",
    )
    model.child("breaklines", {"INPUT": "@SURFACE"}, {"OUTPUT": "Breaklines"})
    model.child(
        "nextouting",
        {
            "INPUT": "@SURFACE",
            "SHORELINE": "@SHORELINE",
            "INTERVAL": "@INTERVAL",
            "UNIT": "@UNIT",
            "LAUNCH": "@LAUNCH",
            "TIME": "@TIME",
            "SPEED": "@SPEED",
            "MIN_DEPTH": "@MIN_DEPTH",
            "BREAKLINES": ("breaklines", "OUTPUT"),
        },
        {
            "OUTPUT": "Lanes of the next outing",
            "GAPS": "Survey gaps",
            "GPX": "Route for the GPS device",
        },
    )
    model.write()


def main():
    application = QgsApplication([], False)
    application.initQgis()
    provider = load_provider()  # noqa: F841 (kept alive)
    logs_to_lake_map()
    add_a_visit()
    logs_to_lake_database()
    map_of_lake_database()
    structure_from_a_surface(with_bottom_type=False)
    structure_from_a_surface(with_bottom_type=True)
    plan_the_next_outing()


if __name__ == "__main__":
    main()
