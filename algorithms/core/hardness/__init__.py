"""Bottom hardness: observations, gains of visits, classes, calibration, transitions."""
