"""A plan to what it will show: simulated through the engine that will judge the study. No output."""

from validator.planning.predicting import Prediction, predict
from validator.planning.protocol import Protocol, make_protocol, planned_design
from validator.planning.tables import DataTable, PlannedRun, data_tables, run_order, to_workbook

__all__ = [
    "DataTable",
    "PlannedRun",
    "Prediction",
    "Protocol",
    "data_tables",
    "make_protocol",
    "planned_design",
    "predict",
    "run_order",
    "to_workbook",
]
