"""Processing algorithms: thin wrappers around :mod:`.core`, one file each."""

from importlib import import_module

#: Module and class of every algorithm, in the order of the work.
_ALGORITHMS = (
    ("lake.new_lake", "NewLake"),
    ("lake.bring_into_lake", "BringIntoLake"),
    ("lake.lake_steps", "LakeSteps"),
    ("lake.back_up_lake", "BackUpLake"),
    ("lake.restore_lake", "RestoreLake"),
    ("plan.survey_lanes", "SurveyLanes"),
    ("plan.next_outing", "NextOuting"),
    ("soundings.read_logs", "ReadLogs"),
    ("soundings.read_point_layer", "ReadPointLayer"),
    ("soundings.clean_soundings", "CleanSoundings"),
    ("soundings.find_time_offset", "FindTimeOffset"),
    ("soundings.correct_depths", "CorrectDepths"),
    ("soundings.reduce_to_datum", "ReduceToDatum"),
    ("soundings.uncertainty_budget", "UncertaintyBudget"),
    ("soundings.check_cross_lines", "CheckCrossLines"),
    ("soundings.adjust_visits", "AdjustVisits"),
    ("soundings.add_to_database", "AddToDatabase"),
    ("soundings.read_database", "ReadDatabase"),
    ("soundings.what_visit_added", "WhatVisitAdded"),
    ("soundings.remove_visit", "RemoveVisit"),
    ("soundings.set_aside", "SetAside"),
    ("soundings.review_soundings", "ReviewSoundings"),
    ("soundings.undo_last_change", "UndoLastChange"),
    ("soundings.log_book", "LogBook"),
    ("soundings.edit_log_book", "EditLogBook"),
    ("soundings.merge_databases", "MergeDatabases"),
    ("soundings.back_up_database", "BackUpDatabase"),
    ("soundings.restore_database", "RestoreDatabase"),
    ("surface.tin_surface", "TinSurface"),
    ("surface.idw_surface", "IdwSurface"),
    ("surface.smooth_surface", "SmoothSurface"),
    ("surface.compare_methods", "CompareMethods"),
    ("surface.surface_difference", "SurfaceDifference"),
    ("surface.blend_survey", "BlendSurvey"),
    ("surface.find_beam_width", "FindBeamWidth"),
    ("chart.depth_contours", "DepthContours"),
    ("chart.depth_areas", "DepthAreas"),
    ("structure.bottom_slope", "BottomSlope"),
    ("structure.breaklines", "Breaklines"),
    ("structure.bottom_forms", "BottomForms"),
    ("structure.bottom_type", "BottomType"),
    ("structure.hard_soft_transitions", "HardSoftTransitions"),
    ("structure.candidate_spots", "CandidateSpots"),
    ("structure.describe_marks", "DescribeMarks"),
    ("structure.find_places_like_marks", "FindPlacesLikeMarks"),
    ("structure.depth_profile", "DepthProfile"),
    ("share.lake_statistics", "LakeStatistics"),
    ("share.area_volume_by_level", "AreaVolumeByLevel"),
    ("share.lake_report", "LakeReport"),
    ("share.map_sheet", "MapSheet"),
    ("share.structure_sheets", "StructureSheets"),
    ("share.lake_project", "LakeProject"),
    ("share.export_waypoints", "ExportWaypoints"),
    ("share.import_waypoints", "ImportWaypoints"),
    ("share.copy_to_share", "CopyToShare"),
    ("share.phone_package", "PhonePackage"),
)


def place_in_group(cls) -> int:
    """Return how many algorithms of its group come before one; one that is not listed is last."""
    group = [name for module, name in _ALGORITHMS if module.startswith(f"{cls.GROUP}.")]
    return group.index(cls.__name__) if cls.__name__ in group else len(group)


def algorithm_classes() -> list:
    """Return the classes of all algorithms; imported here, so that core needs no QGIS."""
    return [getattr(import_module(f".{module}", __name__), cls) for module, cls in _ALGORITHMS]
