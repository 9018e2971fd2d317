"""Calibration of a ladder: rung values with their covariance from measured states."""

from controller.ladder.calibration.assess import Assessment, Deviation, assess, deviations
from controller.ladder.calibration.check import Drift, Spot, check_spots, drifts, spot_states
from controller.ladder.calibration.design import Design, Instrument, propose_design
from controller.ladder.calibration.files import (
    calibration_text,
    load_calibration,
    measurements_from_csv,
    write_calibration,
)
from controller.ladder.calibration.model import (
    Calibration,
    Measurement,
    calibrated_ladder,
    state_uncertainty_ohms,
    states_covariance_ohms2,
)
from controller.ladder.calibration.rows import Row
from controller.ladder.calibration.solve import calibrate, calibrate_and_check, undetermined_relays

__all__ = [
    "Assessment",
    "Calibration",
    "Design",
    "Deviation",
    "Drift",
    "Instrument",
    "Measurement",
    "Row",
    "Spot",
    "assess",
    "calibrate",
    "calibrate_and_check",
    "calibrated_ladder",
    "calibration_text",
    "check_spots",
    "deviations",
    "drifts",
    "load_calibration",
    "measurements_from_csv",
    "propose_design",
    "spot_states",
    "state_uncertainty_ohms",
    "states_covariance_ohms2",
    "undetermined_relays",
    "write_calibration",
]
