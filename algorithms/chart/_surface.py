"""What depth contours and depth areas share, so that both meet exactly."""

from .._i18n import tr
from .._io import params


def add_inputs(algorithm):
    """Declare the surface, the shoreline and how levels are drawn."""
    algorithm.addParameter(params.surface())
    algorithm.addParameter(params.shoreline())
    algorithm.addParameter(
        params.number(
            "INTERVAL",
            tr("Contour interval (depth unit)"),
            1.0,
            tr("Difference in depth from one line to the next."),
            minimum=0.0,
        )
    )
    algorithm.addParameter(params.depth_unit())
    algorithm.addParameter(
        params.number(
            "SMOOTHING",
            tr("Smoothing (0 to 1)"),
            1.0,
            tr(
                "0 leaves the surface as it is. 1 lets each depth move by at most its standard "
                "uncertainty. Without an uncertainty band it is a tenth of the interval."
            ),
            minimum=0.0,
            maximum=1.0,
            advanced=True,
        )
    )
    algorithm.addParameter(
        params.number(
            "MIN_AREA",
            tr("Minimum area of closed lines (m²)"),
            None,
            tr(
                "Smaller closed lines are left out as noise, and counted in the log. If empty, it "
                "is the area of four cells."
            ),
            minimum=0.0,
            optional=True,
            advanced=True,
        )
    )


def read_inputs(inputs):
    """Return the depth grid, its CRS and the keyword arguments of the core routines."""
    surface, crs, _ = inputs.surface()
    return (
        surface.depth,
        crs,
        {
            "interval": inputs.number("INTERVAL"),
            "unit": inputs.unit(),
            "uncertainty": surface.uncertainty,
            "shoreline": inputs.polygon(crs=crs),
            "cut": inputs.cut_edge(crs=crs),
            "smoothing": inputs.number("SMOOTHING"),
            "min_area": inputs.number("MIN_AREA"),
        },
    )
