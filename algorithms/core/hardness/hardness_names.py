"""Names and defaults of bottom type that dialogs and layers show, known without the computing."""

#: Slope beyond which a sounder's hardness says little, degrees: von Szalay and McConnaughey
#: (2002), Fisheries Research 54(2), 181-194, found classification to break down at 5 to 8.
MAX_SLOPE_DEG = 8.0
#: Shallower than this the near field of the transducer and the boat's own noise prevail, m;
#: common practice is 2 to 3 feet.
MIN_DEPTH_M = 0.6
#: Hardness that parts soft from medium and medium from hard where nothing better is known.
THRESHOLDS = (1.0 / 3.0, 2.0 / 3.0)
TRANSITION_ATTRIBUTES = (
    "contrast", "width_m", "width_from", "hard_side", "depth_m", "depth_from_m", "depth_to_m",
    "confidence", "position_sd_m", "crossings", "supported", "length_m",
)  # fmt: skip
