"""Calibration of a ladder: rung values with their covariance from measured states.

Knows: the public names of the parts below.
Must not know: sensors, sweeps, terminals.
"""

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
from controller.ladder.calibration.solve import calibrate, undetermined_relays

__all__ = [
    "Calibration",
    "Design",
    "Drift",
    "Instrument",
    "Measurement",
    "Spot",
    "calibrate",
    "calibrated_ladder",
    "calibration_text",
    "check_spots",
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
