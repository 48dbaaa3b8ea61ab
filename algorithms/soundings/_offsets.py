"""Visits whose lake level is fitted by crossings: how that is chosen, and what the log says."""

from .._i18n import tr

#: The level at which visits enter a lake database, as the drop-downs show it.
AS_REDUCED, FIT_TO_LAKE = "as reduced", "fit to the lake"


def say_offsets(fitted, inputs):
    """Report the offset of each visit, and the notes, of a :class:`.unknown_level.Fitted`."""
    for row in fitted.offsets:
        where = (
            tr("{} crossings").format(row.places)
            if row.places
            else tr("as for the part of it that was added before")
        )
        inputs.say(
            tr("Visit '{}': visit offset {:+.3f} m, standard uncertainty {:.3f} m, {}").format(
                row.visit, row.offset, row.std_error, where
            )
        )
    for note in fitted.notes:
        inputs.warn(note)
