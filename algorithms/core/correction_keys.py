"""Keys of ``corrections`` that one step writes and others read, where their names do not say it."""

#: Standard uncertainty, m/s, of a sound speed for which there was no temperature.
SPEED_ERROR = "sound_speed_sd"

#: Key and value where the sound speed is that of temperatures measured down to the bottom.
SPEED_FROM, MEASURED = "sound_speed_from", "profile"

#: Says yes where the datum is the level of the first visit, since none was asked for.
BY_FIRST_VISIT = "datum_by_first_visit"

#: What a visit read too deep and was taken off, and the standard error of that, m.
VISIT_OFFSET, VISIT_OFFSET_ERROR = "level_offset_m", "level_offset_sd_m"

#: Key and value where the lake level of the visit was not known.
LEVEL, UNKNOWN = "level", "unknown"

#: Standard uncertainty, m, of a level that readings before and after give; see :mod:`.gauge`.
LEVEL_ERROR = "level_sd_m"

#: Key and value where the level is the one at which a visit fits others where tracks meet.
LEVEL_FROM, FIT = "level_from", "fit"

#: What was given before a visit was fitted: its lake level, m, and the datum of that.
GIVEN_LEVEL, GIVEN_DATUM, GIVEN_ELEVATION = "given_level_m", "given_datum", "given_datum_elev_m"

#: Side of the squares to whose centers positions are coarsened, m; their soundings are averaged.
COARSENED = "coarsened_m"

#: Full width of the sounder's beam, degrees: a fact that gridding uses, no correction of a depth.
BEAM = "beam_deg"

#: The width, degrees, that is looked at where none is stated (a common one; from memory).
USUAL_BEAM_DEG = 20.0
