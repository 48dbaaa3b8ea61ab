"""Processing algorithms: thin wrappers around :mod:`.core`, one file each."""


def algorithm_classes() -> list:
    """Return the classes of all algorithms, in the order of the work."""
    from .chart.depth_areas import DepthAreas
    from .chart.depth_contours import DepthContours
    from .share.lake_project import LakeProject
    from .share.map_sheet import MapSheet
    from .soundings.clean_soundings import CleanSoundings
    from .soundings.correct_depths import CorrectDepths
    from .soundings.read_logs import ReadLogs
    from .soundings.read_point_layer import ReadPointLayer
    from .soundings.reduce_to_datum import ReduceToDatum
    from .structure.bottom_slope import BottomSlope
    from .structure.break_lines import BreakLines
    from .surface.idw_surface import IdwSurface
    from .surface.tin_surface import TinSurface

    return [
        ReadLogs, ReadPointLayer, CleanSoundings, CorrectDepths, ReduceToDatum,
        TinSurface, IdwSurface, DepthContours, DepthAreas, BottomSlope, BreakLines,
        MapSheet, LakeProject,
    ]
