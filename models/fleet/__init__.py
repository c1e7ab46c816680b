"""One model for the whole fleet: meters, references and mass sets together."""

from models.fleet.data import FleetData
from models.fleet.fit import fit
from models.fleet.hyper import Hyper, hyper_from_document
from models.fleet.result import FleetFit
from models.fleet.settings import FleetSettings

__all__ = ["FleetData", "FleetFit", "FleetSettings", "Hyper", "fit", "hyper_from_document"]
