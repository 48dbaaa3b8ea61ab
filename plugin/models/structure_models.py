"""The shipped models that lead from a depth surface to the structure of the bottom."""

from model_writer import Model, ModelInputs
from qgis.core import QgsProcessing


def _structure_model(with_bottom_type):
    """Return the model without its inputs and steps."""
    shown = "Structure and bottom type" if with_bottom_type else "Structure from a surface"
    return Model(
        shown,
        "structures,drop-off,drop-offs,dropoff,dropoffs,drop off,breakline,ledge,hump,point,hole,"
        "saddle,flat,fishing spots,fish,spots,waypoints,slope,workflow"
        + (
            ",hardness,hard bottom,soft bottom,substrate,sediment,bottom type,bottom composition,"
            "transition"
            if with_bottom_type
            else ""
        ),
        "Finds the structure of the bottom in a depth surface. Use it to choose places to fish or "
        "to look at.\n\n"
        "It makes slope, drop-offs with crest and toe, and bottom forms. "
        + (
            "From the hardness of the soundings it makes bottom type and hard-soft transitions. "
            if with_bottom_type
            else ""
        )
        + "It ranks candidate spots by what counts for you, and gives them as a layer, as "
        "waypoints and as a sheet for each spot.\n\n"
        "A spot is no promise of fish. Maps are not for navigation. Ice is never guaranteed safe."
        + (
            ""
            if with_bottom_type
            else "\n\nIf hardness was logged, use 'Structure and bottom type'."
        ),
        visible=(
            "SURFACE", "SHORELINE", "SOUNDINGS" if with_bottom_type else "UNIT", "SPOTS", "TITLE",
            "exportwaypoints:Waypoints", "structuresheets:Structure sheets",
        ),
    )  # fmt: skip


def structure_from_a_surface(with_bottom_type):
    """From a surface, and maybe hardness, to drop-offs, forms, spots and their sheets."""
    model = _structure_model(with_bottom_type)
    inputs = ModelInputs(model)
    inputs.surface()
    inputs.shoreline()
    if with_bottom_type:
        inputs.vector(
            "SOUNDINGS",
            "Soundings",
            QgsProcessing.SourceType.TypeVectorPoint,
            "Soundings with a relative hardness of 0 to 1.",
        )
    inputs.contours()
    inputs.number("SPOTS", "Maximum number of spots", 15, "Only the best spots are kept.")
    inputs.text("TITLE", "Title", "Lake structure", "Title of the sheets.")
    inputs.page_size("Page size of the structure sheets.")
    drawn = {
        "INPUT": "@SURFACE",
        "SHORELINE": "@SHORELINE",
        "INTERVAL": "@INTERVAL",
        "UNIT": "@UNIT",
    }
    model.child("depthcontours", drawn, {"OUTPUT": "Depth contours"})
    model.child("depthareas", drawn)
    model.child("bottomslope", {"INPUT": "@SURFACE"}, {"OUTPUT": "Bottom slope"})
    model.child("breaklines", {"INPUT": "@SURFACE"}, {"OUTPUT": "Breaklines"})
    model.child("bottomforms", {"INPUT": "@SURFACE"}, {"OUTPUT": "Bottom forms"})
    structure = {"BREAKLINES": ("breaklines", "OUTPUT"), "BOTTOM_FORMS": ("bottomforms", "OUTPUT")}
    if with_bottom_type:
        structure.update(_hardness_to_transitions(model))
    else:
        structure["CRITERIA"] = [
            "crest", "0", "10", "3", "depth", "8 ft", "16 ft", "2", "deep water", "0", "40", "1",
        ]  # fmt: skip
    _structure_to_spots(model, structure)
    model.write()


def _hardness_to_transitions(model):
    """Add bottom type and transitions; return what they tell of candidate spots."""
    model.child(
        "bottomtype",
        {"INPUT": "@SOUNDINGS", "SURFACE": "@SURFACE", "SHORELINE": "@SHORELINE"},
        {"OUTPUT": "Bottom type", "REPORT": "Bottom type report"},
    )
    bottom = ("bottomtype", "OUTPUT")
    model.child(
        "hardsofttransitions",
        {"INPUT": bottom, "SURFACE": "@SURFACE", "SOUNDINGS": "@SOUNDINGS"},
        {"OUTPUT": "Hard-soft transitions"},
    )
    return {"TRANSITIONS": ("hardsofttransitions", "OUTPUT"), "BOTTOM_TYPE": bottom}


def _structure_to_spots(model, structure):
    """Add candidate spots, and their waypoints and sheets."""
    model.child(
        "candidatespots",
        {"INPUT": "@SURFACE", "UNIT": "@UNIT", "MAX_SPOTS": "@SPOTS", **structure},
        {"OUTPUT": "Candidate spots"},
    )
    spots = ("candidatespots", "OUTPUT")
    model.child("exportwaypoints", {"INPUT": spots, "UNIT": "@UNIT"}, {"OUTPUT": "Waypoints"})
    model.child(
        "structuresheets",
        {
            "STRUCTURES": spots,
            "CONTOURS": ("depthcontours", "OUTPUT"),
            "SHORELINE": "@SHORELINE",
            "DEPTH_AREAS": ("depthareas", "OUTPUT"),
            "BREAKLINES": ("breaklines", "OUTPUT"),
            "SURFACE": "@SURFACE",
            "TITLE": "@TITLE",
            "UNIT": "@UNIT",
            "PAGE_SIZE": "@PAGE_SIZE",
        },
        {"OUTPUT": "Structure sheets"},
    )
