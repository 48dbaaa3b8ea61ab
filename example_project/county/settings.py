"""A lake's settings: lake.yaml, read and checked."""

import yaml

#: Parameters of the model "Logs to lake map" that the settings may give, and what each is.
MODEL = {
    "TITLE": str,
    "LOG_FOLDER": "folder",
    "TIME_ZONE": str,
    "DEPTH_UNIT": str,
    "DEPTH_FROM": str,
    "DRAFT": float,
    "ASSUMED_SOUND_SPEED": float,
    "BEAM_WIDTH": float,
    "WATER_TEMPERATURE": float,
    "TIME_OFFSET": float,
    "GAUGE": "file",
    "GAUGE_TIME_ZONE": str,
    "LEVEL": float,
    "LEVEL_UNIT": str,
    "DATUM_ELEVATION": float,
    "DATUM_NAME": str,
    "SHORELINE": "file",
    "UNIT": str,
    "INTERVAL": float,
    "CELL_SIZE": float,
    "MAX_GAP": float,
    "PAGE_SIZE": str,
}
NEEDED = ("LOG_FOLDER", "SHORELINE")
KEYS = ("model", "shoreline_crs", "truth")


class LakeError(Exception):
    """What is wrong with a lake's files, in one sentence for its owner."""


def read(folder):
    """Return the settings of the lake in ``folder``, with the paths of its files made whole.

    Raises
    ------
    LakeError
        If the file is missing, is no YAML, or says something that is not understood.
    """
    path = folder / "lake.yaml"
    if not path.is_file():
        raise LakeError(f"There is no lake.yaml in {folder}. Copy one from another lake.")
    try:
        settings = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        where = getattr(error, "problem_mark", None)
        line = f", line {where.line + 1}" if where else ""
        raise LakeError(f"lake.yaml is not valid YAML{line}. Correct it, then run again.") from None
    if not isinstance(settings, dict) or not isinstance(settings.get("model"), dict):
        raise LakeError("lake.yaml has no parameters under 'model'. Copy one from another lake.")
    _known(settings, KEYS, "lake.yaml")
    _known(settings["model"], MODEL, "'model' in lake.yaml")
    if missing := [name for name in NEEDED if not settings["model"].get(name)]:
        raise LakeError(f"lake.yaml gives no {missing[0]} under 'model'. Add it.")
    model = {n: _value(n, v, folder) for n, v in settings["model"].items() if v is not None}
    return {**settings, "model": model}


def _known(given, names, place):
    for name in given:
        if name not in names:
            raise LakeError(f"'{name}' of {place} is not known. There are {', '.join(names)}.")


def _value(name, value, folder):
    kind = MODEL[name]
    if kind is float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise LakeError(f"{name} in lake.yaml is '{value}', which is not a number. Correct it.")
        return value
    if kind is str:
        return str(value)
    path = folder / str(value)
    if not (path.is_dir() if kind == "folder" else path.is_file()):
        raise LakeError(f"The {kind} '{value}' that lake.yaml gives as {name} is missing. Add it.")
    return path.resolve()
