"""Standard uncertainties of the figures where nothing better is known."""

#: Standard uncertainty of the datum where the user states none, m: a tenth of a foot, a common
#: step of gauge readings.
DATUM_UNCERTAINTY = 0.03
#: Standard uncertainty of a point of the shoreline where the user states none, m: traced from
#: aerial pictures, a common practice.
SHORELINE_UNCERTAINTY = 1.0
