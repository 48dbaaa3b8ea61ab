"""Names and defaults of structure that dialogs and layers show, known without the computing."""

#: Forms in the order of their codes, which begin at 1; code 0 is none of them.
FORMS = (
    "point", "inside turn", "hump", "hole", "saddle", "flat", "steep break", "basin",
)  # fmt: skip
FORM_ATTRIBUTES = (
    "form", "number", "name", "top_depth_m", "bottom_depth_m", "saddle_depth_m", "relief_m",
    "area_m2", "length_m", "orientation_deg", "slope_pct", "confidence", "spot_x", "spot_y",
)  # fmt: skip
BREAKLINE_KINDS = ("crest", "steepest", "toe")
BREAKLINE_ATTRIBUTES = (
    "drop_off",
    "kind",
    "height_m",
    "width_m",
    "slope_mean_pct",
    "slope_mean_deg",
    "slope_max_pct",
    "slope_max_deg",
    "depth_min_m",
    "depth_max_m",
    "depth_mean_m",
    "length_m",
    "confidence",
)
#: Share of the mapped bottom that is shallower than deep water, where no depth was given.
DEEP_SHARE = 0.75
