"""Forms: what they show, in which unit, filled with what; and the order of the toolbox."""

import subprocess
import sys

import pytest
from qgis.core import (
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingModelAlgorithm,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterNumber,
    QgsProject,
    QgsSettings,
)

gui = pytest.importorskip("qgis.gui")
from qgis.PyQt.QtCore import QLocale
from qgis.PyQt.QtWidgets import QDialog, QGroupBox, QLineEdit, QTableWidget

from lakefloor.algorithms import _forms, _settings, algorithm_classes
from lakefloor.algorithms._settings import Boat
from lakefloor.algorithms._toolbox import GROUPS, MODEL_ORDER, shown
from lakefloor.plugin.shipped_model import FORM
from lakefloor.plugin.window import WIDGETS

ADVANCED = QgsProcessingParameterDefinition.Flag.FlagAdvanced
CLASSES = pytest.mark.parametrize("cls", algorithm_classes(), ids=lambda cls: cls.NAME)


@pytest.fixture(autouse=True)
def widgets(monkeypatch):
    """As in a window."""
    monkeypatch.setattr(_forms, "_widgets", WIDGETS)


@pytest.fixture(autouse=True)
def feet(qgis_processing):
    QgsSettings().remove("lakefloor")
    _settings.choose(depth_unit="feet", page_size="A4")
    yield
    QgsSettings().remove("lakefloor")


def _factory():
    from processing.gui.wrappers import WidgetWrapperFactory

    return WidgetWrapperFactory


def _field(algorithm, name, dialog=None, column=0):
    """Return the wrapper that QGIS makes for a parameter, and the dialog that must live as long."""
    dialog = dialog or QDialog()
    dialog.algorithm = algorithm  # the parameter lives as long as it does
    return _factory().create_wrapper(algorithm.parameterDefinition(name), dialog, 0, column), dialog


# -- what a form shows -----------------------------------------------------------------


@CLASSES
def test_a_form_shows_at_most_seven_fields(cls, qgis_app):
    """Outputs are fields too."""
    algorithm = cls().create()
    seen = [definition.name() for definition in _forms.shown(algorithm)]
    assert 1 <= len(seen) <= _forms.MOST_SHOWN, seen


@CLASSES
def test_a_form_names_parameters_and_shows_them(cls, qgis_app):
    algorithm = cls().create()
    seen = [definition.name() for definition in _forms.shown(algorithm)]
    if cls.FORM:
        assert sorted(seen) == sorted(cls.FORM)
    for definition in algorithm.parameterDefinitions():
        optional = definition.flags() & QgsProcessingParameterDefinition.Flag.FlagOptional
        if not optional and definition.defaultValue() is None and not definition.isDestination():
            assert definition.name() in seen, f"needed, but folded: {definition.name()}"


@pytest.fixture
def without_main_window(monkeypatch):
    """The form takes the map and the browser from there, where there is one."""
    monkeypatch.setattr("processing.gui.ParametersPanel.iface", None)


def test_outputs_that_few_want_stand_in_the_folded_part(provider, without_main_window):
    dialog = provider.algorithm("mapsheet").create().createCustomParametersWidget(None)
    panel = dialog.mainWidget()
    folded = panel.findChild(QGroupBox, "grpAdvanced")  # QGIS's own, for advanced parameters
    widget = panel.wrappers["PICTURE"].wrappedWidget()
    assert folded.isAncestorOf(widget)
    assert not folded.isAncestorOf(panel.wrappers["OUTPUT"].wrappedWidget())
    assert folded.isAncestorOf(panel.wrappers["AUTHOR"].wrappedWidget())
    assert panel.wrappers["PICTURE"].parameterValue() is None
    dialog.close()


def test_the_dialog_of_a_model_is_ours_too(provider, without_main_window):
    model = QgsApplication.processingRegistry().createAlgorithmById("lakefloor:planthenextouting")
    dialog = model.createCustomParametersWidget(None)
    assert dialog.mainWidget().wrappers["MIN_DEPTH"].parameterValue() == 0.6
    dialog.setParameters({"MIN_DEPTH": 0.9144})
    assert dialog.mainWidget().wrappers["MIN_DEPTH"].widget.text() == "3"
    dialog.close()


def test_without_a_window_forms_are_those_of_qgis(provider, monkeypatch):
    """As in ``qgis_process``, which loads nothing that draws."""
    monkeypatch.setattr(_forms, "_widgets", None)
    registry = QgsApplication.processingRegistry()
    for name in ("lakefloor:correctdepths", "lakefloor:planthenextouting"):
        algorithm = registry.createAlgorithmById(name)
        assert algorithm.createCustomParametersWidget(None) is None
        for definition in algorithm.parameterDefinitions():
            assert "widget_wrapper" not in definition.metadata()


# -- units -----------------------------------------------------------------------------


# A foot is 0.3048 m and a mile 5280 feet (international yard and pound agreement, 1959); degrees
# Fahrenheit: NIST SP 811 (2008), appendix B.
@pytest.mark.parametrize(
    ("algorithm", "name", "label", "text", "typed", "value"),
    [
        ("correctdepths", "DRAFT", "Transducer draft (ft)", "0.98", 2.0, 0.6096),
        ("correctdepths", "ASSUMED_SOUND_SPEED", "Assumed sound speed (ft/s)", "4921.26",
         4800.0, 1463.04),
        ("correctdepths", "DEEP_TEMPERATURE", "Temperature of the deep water (°F)", "44.6", 50.0, 10.0),
        ("uncertaintybudget", "TEMPERATURE_UNCERTAINTY", "Water temperature uncertainty (°F)",
         "1.8", 9.0, 5.0),
        ("uncertaintybudget", "LEVEL_UNCERTAINTY", "Lake level uncertainty (ft)", "0.066", 1.0, 0.3048),
        ("cleansoundings", "MAX_BOAT_SPEED", "Maximum possible boat speed (mph)", "33.55", 10.0, 4.4704),
        ("surveylanes", "MIN_WIDTH", "Minimum width to find (ft)", "131.23", 100.0, 30.48),
        ("depthcontours", "SMOOTHING", "Smoothing (0 to 1)", "1", 0.25, 0.25),
        ("bottomtype", "MEDIUM_FROM", "Medium bottom from (0 to 1)", "0.333", 0.4, 0.4),
    ],
)  # fmt: skip
def test_a_field_is_in_the_users_unit_and_gives_that_of_the_label(
    provider, algorithm, name, label, text, typed, value
):
    algorithm = provider.algorithm(algorithm).create()
    field, dialog = _field(algorithm, name)
    assert field.label.text() == label
    assert field.widget.text() == text
    assert field.parameterValue() == algorithm.parameterDefinition(name).defaultValue()
    field.widget.setValue(typed)
    assert field.parameterValue() == pytest.approx(value, rel=1e-9)
    field.setParameterValue(value, QgsProcessingContext())
    assert field.widget.value() == pytest.approx(typed)
    assert field.parameterValue() == value
    dialog.close()


def test_in_meters_the_label_is_what_it_was(provider):
    _settings.choose(depth_unit="meters")
    algorithm = provider.algorithm("correctdepths").create()
    for name, label, text in (
        ("DRAFT", "Transducer draft (m)", "0.3"),
        ("ASSUMED_SOUND_SPEED", "Assumed sound speed (m/s)", "1500"),
    ):
        field, dialog = _field(algorithm, name)
        assert (field.label.text(), field.widget.text()) == (label, text)
        dialog.close()


def test_a_speed_in_miles_is_shown_in_kilometers(provider):
    """A mile is 1.609344 km."""
    _settings.choose(depth_unit="meters")
    model = QgsApplication.processingRegistry().createAlgorithmById("lakefloor:planthenextouting")
    field, dialog = _field(model, "SPEED")
    assert (field.label.text(), field.widget.text()) == ("Speed on lanes (km/h)", "8.05")
    assert field.parameterValue() == 5.0
    field.widget.setValue(16.09344)
    assert field.parameterValue() == pytest.approx(10.0)
    dialog.close()


@CLASSES
@pytest.mark.parametrize("unit", _settings.UNITS)
def test_what_nobody_touches_is_handed_on_to_the_last_digit(cls, unit, qgis_processing):
    _settings.choose(depth_unit=unit)
    algorithm = cls().create()
    for definition in algorithm.parameterDefinitions():
        if not isinstance(definition, QgsProcessingParameterNumber):
            continue
        if definition.dataType() != QgsProcessingParameterNumber.Type.Double:
            continue
        field, dialog = _field(algorithm, definition.name())
        gui_default = definition.guiDefaultValueOverride()
        expected = definition.defaultValue() if gui_default is None else gui_default
        assert field.parameterValue() == expected
        assert definition.checkValueIsAcceptable(field.parameterValue())
        text = field.widget.text()
        assert len(text.partition(".")[2]) <= 3, f"{definition.name()} shows {text}"
        dialog.close()


def test_a_number_that_may_be_empty_is_empty_again(provider):
    field, dialog = _field(provider.algorithm("correctdepths").create(), "WATER_TEMPERATURE")
    assert field.widget.text() == "Not set"
    assert field.parameterValue() is None
    field.widget.setValue(68.0)
    assert field.parameterValue() == pytest.approx(20.0)
    field.widget.clear()
    assert field.parameterValue() is None
    field.setParameterValue(0.0, QgsProcessingContext())
    assert (field.widget.text(), field.parameterValue()) == ("32", 0.0)
    dialog.close()


def test_numbers_of_a_history_are_shown_whole(provider):
    field, dialog = _field(provider.algorithm("correctdepths").create(), "DRAFT")
    for given, text in ((0.381, "1.25"), ("0.3048", "1"), (0.0015, "0.0049"), (9.0, "29.53")):
        field.setParameterValue(given, QgsProcessingContext())
        assert field.widget.text() == text
        assert field.parameterValue() == float(given)
    dialog.close()


def test_the_head_of_a_batch_has_the_unit_of_its_fields(provider):
    class BatchAlgorithmDialog(QDialog):
        """Known to QGIS by this name."""

    table = QTableWidget(1, 3)
    table.setHorizontalHeaderLabels(["Soundings", "Transducer draft (m)", "Other (m)"])
    algorithm = provider.algorithm("correctdepths").create()
    field, dialog = _field(algorithm, "DRAFT", BatchAlgorithmDialog(), 1)
    assert field.label is None
    table.setCellWidget(0, 1, field.widget)
    table.show()
    heads = [table.horizontalHeaderItem(i).text() for i in range(3)]
    assert heads == ["Soundings", "Transducer draft (ft)", "Other (m)"]
    table.close()
    dialog.close()


def test_the_model_designer_keeps_meters_and_the_defaults_of_the_contract(provider):
    class ModelerParametersDialog(QDialog):
        """Known to QGIS by this name."""

        def __init__(self):
            super().__init__()
            self.model, self.childId = QgsProcessingModelAlgorithm("m", "g"), ""
            self.context = QgsProcessingContext()

    _settings.choose(depth_unit="meters", page_size="Tabloid")
    _settings.keep_boats([Boat("Skiff", 0.5)])
    for name, key, default in (
        ("correctdepths", "DRAFT", 0.3),
        ("mapsheet", "UNIT", "feet"),
        ("mapsheet", "PAGE_SIZE", "Letter"),
    ):
        algorithm = provider.algorithm(name).create()
        assert _filled(algorithm, key) != default
        field, dialog = _field(algorithm, key, ModelerParametersDialog())
        assert isinstance(field, gui.QgsProcessingModelerParameterWidget)
        assert field.value().staticValue() == default
        dialog.close()


def test_a_choice_that_is_filled_in_is_the_field_of_qgis(provider):
    field, dialog = _field(provider.algorithm("mapsheet").create(), "PAGE_SIZE")
    widget = field.createWrappedWidget(QgsProcessingContext())
    assert field.parameterValue() == "A4"
    assert field.createWrappedLabel().text() == "Page size"
    field.setParameterValue("Letter", QgsProcessingContext())
    assert field.parameterValue() == "Letter"
    assert widget is not None
    dialog.close()


@pytest.mark.parametrize("locale", ["en_US", "de_DE", "fr_FR"])
def test_numbers_are_written_and_read_with_the_signs_of_the_locale(provider, locale):
    before = QLocale()
    QLocale.setDefault(QLocale(locale))
    try:
        field, dialog = _field(provider.algorithm("correctdepths").create(), "ASSUMED_SOUND_SPEED")
        sign = QLocale().decimalPoint()
        assert field.widget.text() == f"4921{sign}26"
        field.widget.lineEdit().setText(f"4800{sign}5")
        field.widget.interpretText()
        assert field.parameterValue() == pytest.approx(4800.5 * 0.3048)
        dialog.close()
    finally:
        QLocale.setDefault(before)


def test_a_model_says_what_its_form_shows(provider, without_main_window):
    model = QgsApplication.processingRegistry().createAlgorithmById("lakefloor:logstolakemap")
    names = ["LOG_FOLDER", "DRAFT", "SHORELINE", "mapsheet:Map sheet"]
    model.setHelpContent({**model.helpContent(), FORM: ",".join(names)})
    model = model.create()
    assert sorted(d.name() for d in _forms.shown(model)) == sorted(names)
    dialog = model.createCustomParametersWidget(None)
    panel = dialog.mainWidget()
    folded = panel.findChild(QGroupBox, "grpAdvanced")
    for name, wrapper in panel.wrappers.items():
        widget = wrapper.wrappedWidget() or wrapper.widget
        assert folded.isAncestorOf(widget) == (name not in names)
    dialog.close()


# -- what a form is filled with --------------------------------------------------------


def _filled(algorithm, name):
    """Return with what a form begins."""
    return algorithm.parameterDefinition(name).defaultValueForGui()


def test_a_form_begins_with_what_the_user_chose(provider):
    _settings.choose(depth_unit="meters", page_size="Tabloid")
    _settings.keep_boats([Boat("Skiff", 0.5, 20.0, 1463.04, 2.0)])
    correct = provider.algorithm("correctdepths").create()
    assert (_filled(correct, "DRAFT"), _filled(correct, "ASSUMED_SOUND_SPEED")) == (0.5, 1463.04)
    sheet = provider.algorithm("mapsheet").create()
    assert (_filled(sheet, "UNIT"), _filled(sheet, "PAGE_SIZE")) == ("meters", "Tabloid")
    # Its page is a letter or an A4 sheet.
    report = provider.algorithm("lakereport").create()
    assert _filled(report, "PAGE_SIZE") == "Letter"
    lanes = provider.algorithm("surveylanes").create()
    assert (_filled(lanes, "SPEED"), _filled(lanes, "SPEED_UNIT")) == (7.2, "km/h")
    points = provider.algorithm("readpointlayer").create()
    assert _filled(points, "SPEED_UNIT") == "m/s"
    model = QgsApplication.processingRegistry().createAlgorithmById("lakefloor:logstolakemap")
    assert (_filled(model, "UNIT"), _filled(model, "DRAFT")) == ("meters", 0.5)


def test_a_run_without_a_form_has_the_defaults_of_the_contract(provider):
    _settings.choose(depth_unit="meters", page_size="Tabloid")
    _settings.keep_boats([Boat("Skiff", 0.5)])
    context = QgsProcessingContext()
    sheet = provider.algorithm("mapsheet").create()
    assert sheet.parameterAsString({}, "UNIT", context) == "feet"
    assert sheet.parameterAsString({}, "PAGE_SIZE", context) == "Letter"
    correct = provider.algorithm("correctdepths").create()
    assert correct.parameterAsDouble({}, "DRAFT", context) == 0.3


# -- the order of the toolbox ----------------------------------------------------------


def test_the_toolbox_stands_in_the_order_of_the_work(provider):
    model = gui.QgsProcessingToolboxProxyModel(None)
    found = {}
    for i in range(model.rowCount()):
        top = model.index(i, 0)
        if str(top.data()) != "Lakefloor":
            continue
        for j in range(model.rowCount(top)):
            group = model.index(j, 0, top)
            found[group.data()] = [
                model.index(k, 0, group).data() for k in range(model.rowCount(group))
            ]
    algorithms = [cls().create() for cls in algorithm_classes()]
    expected = {}
    for model_id in MODEL_ORDER:
        if provider.algorithm(model_id):
            one = provider.algorithm(model_id)
            expected.setdefault(one.group(), []).append(one.displayName())
    for group in GROUPS:
        for one in algorithms:
            if one.groupId() == group:
                expected.setdefault(one.group(), []).append(one.displayName())
    assert list(found) == list(expected)
    assert found == expected
    assert next(iter(found)) == "1 Lakefloor models"


def test_more_than_a_letter_has_places(qgis_app):
    names = [shown("A", "soundings", place) for place in range(60)]
    assert names == sorted(names)
    assert len(set(names)) == 60


def test_a_command_loads_nothing_that_draws(provider):
    code = (
        "import sys; sys.path.insert(0, '.ci'); import checkout; "
        "from qgis.core import QgsApplication; app = QgsApplication([], False); app.initQgis(); "
        "from lakefloor.plugin.provider import LakefloorProvider; p = LakefloorProvider(); "
        "QgsApplication.processingRegistry().addProvider(p); "
        "assert p.algorithm('mapsheet').create().parameterDefinitions(); "
        "print([m for m in sys.modules if m.startswith('lakefloor.plugin.door')])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=300
    )
    assert ran.stdout.strip().splitlines()[-1] == "[]"


def _type(line, text):
    line.setText(text)
    line.textEdited.emit(text)


@pytest.fixture
def lanes(provider, without_main_window, tmp_path, memory_layer):
    """The form of Survey lanes, and the field of its output."""
    _settings.choose(lakes_folder=tmp_path)
    area = memory_layer("Polygon", ["POLYGON((0 0, 0 400, 400 400, 400 0, 0 0))"])
    QgsProject.instance().addMapLayer(area)
    algorithm = provider.algorithm("surveylanes").create()
    dialog = algorithm.createCustomParametersWidget(None)
    dialog.setParameters({"INPUT": area.id()})
    panel = dialog.mainWidget()
    yield panel, panel.wrappers["OUTPUT"].wrappedWidget().findChild(QLineEdit)
    dialog.close()
    QgsProject.instance().removeMapLayer(area.id())


def test_a_file_name_gets_its_folder_when_the_field_is_left(lanes, tmp_path):
    """Without it, QGIS's own field hands on a path in the folder of the profile."""
    panel, line = lanes
    _type(line, "lanes.gpkg")
    line.editingFinished.emit()
    assert line.text() == str(tmp_path / "lanes.gpkg")
    value = panel.wrappers["OUTPUT"].parameterValue()
    assert value.sink.staticValue() == str(tmp_path / "lanes.gpkg")
    line.editingFinished.emit()
    assert line.text() == str(tmp_path / "lanes.gpkg")


def test_a_run_that_begins_in_the_field_has_the_folder_too(lanes, tmp_path):
    panel, line = lanes
    _type(line, "lanes.gpkg")
    given = panel.createProcessingParameters()["OUTPUT"]
    assert given.sink.staticValue() == str(tmp_path / "lanes.gpkg")
    assert given.destinationProject == QgsProject.instance()
    assert line.text() == "lanes.gpkg"
    _type(line, "")
    given = panel.createProcessingParameters()["OUTPUT"]
    assert given.sink.staticValue() == "TEMPORARY_OUTPUT"


def test_a_folder_chosen_in_the_options_of_processing_is_kept(lanes, tmp_path, monkeypatch):
    from processing.core.ProcessingConfig import ProcessingConfig

    _, line = lanes
    setting = ProcessingConfig.settings[ProcessingConfig.OUTPUT_FOLDER]
    monkeypatch.setattr(setting, "value", str(tmp_path / "chosen"))
    _type(line, "lanes.gpkg")
    line.editingFinished.emit()
    assert line.text() == "lanes.gpkg"


def test_the_form_of_a_model_shows_at_most_seven_fields(provider):
    models = [m for m in provider.algorithms() if isinstance(m, QgsProcessingModelAlgorithm)]
    assert len(models) >= 5
    for model in models:
        seen = [definition.name() for definition in _forms.shown(model)]
        assert 1 <= len(seen) <= _forms.MOST_SHOWN, f"{model.name()}: {seen}"
        for definition in model.parameterDefinitions():
            optional = definition.flags() & QgsProcessingParameterDefinition.Flag.FlagOptional
            needed = not optional and definition.defaultValue() is None
            if needed and not definition.isDestination():
                assert definition.name() in seen, f"needed, but folded: {definition.name()}"
