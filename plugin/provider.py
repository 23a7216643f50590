"""The provider: the list of steps and the ready-made models."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsApplication, QgsProcessingProvider

from .check.checkreadings import CheckReadings
from .check.comparerepeats import CompareRepeats
from .correct.corrections import CORRECTIONS
from .correct.runsequence import RunSequence
from .correct.writesequence import WriteSequence
from .deliver.writegdf2 import WriteGdf2
from .gridding.comparegridding import CompareGridding
from .gridding.destriperaster import DestripeRaster
from .gridding.gridreadings import GridReadings
from .gridding.smoothraster import SmoothRaster
from .gridding.stackedprofiles import StackedProfiles
from .ground.depthtable import DepthSensitivity
from .ground.invertlayers import InvertLayers
from .ground.layeredresponse import LayeredResponse
from .ground.writeinstrument import WriteInstrument
from .intake.fitsitegrid import FitSiteGrid
from .intake.importdatagrids import ImportDataGrids
from .intake.importgdf2 import ImportGdf2
from .intake.importstream import ImportStream
from .intake.importtable import ImportTable
from .intake.placebymarks import PlaceByMarks
from .intake.placesensors import PlaceSensors
from .intake.splitlines import SplitLines
from .interpret.anomalies import Anomalies
from .model import ReadyModel
from .plan.plangrids import PlanGrids
from .plan.planlines import PlanLines
from .step import icon
from .version import VERSION

STEPS = (
    PlanGrids,
    PlanLines,
    ImportTable,
    ImportDataGrids,
    ImportStream,
    ImportGdf2,
    PlaceByMarks,
    SplitLines,
    PlaceSensors,
    FitSiteGrid,
    CheckReadings,
    CompareRepeats,
    *CORRECTIONS,
    RunSequence,
    WriteSequence,
    CompareGridding,
    GridReadings,
    StackedProfiles,
    SmoothRaster,
    DestripeRaster,
    Anomalies,
    WriteInstrument,
    DepthSensitivity,
    LayeredResponse,
    InvertLayers,
    WriteGdf2,
)
MODELS = Path(__file__).resolve().parent / "models"


class LynchetProvider(QgsProcessingProvider):
    """Lynchet's steps and models."""

    def id(self):
        return "lynchet"

    def name(self):
        return "Lynchet"

    def longName(self):
        return "Lynchet: ground-conductivity survey of buried sites"

    def versionInfo(self):
        return VERSION

    def icon(self):
        return icon()

    def supportedOutputRasterLayerExtensions(self):
        return ["tif"]

    def loadAlgorithms(self):
        for step in STEPS:
            self.addAlgorithm(step())
        if QgsApplication.processingRegistry().providerById(self.id()) is not None:
            for path in sorted(MODELS.glob("*.model3")):
                self.addAlgorithm(ReadyModel.load(path))
