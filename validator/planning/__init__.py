"""A plan to what it will show: simulated through the engine that will judge the study. No output."""

from validator.planning.design import planned_design
from validator.planning.predicting import Prediction, predict, required_plan
from validator.planning.run_order import PlannedRun, run_order
from validator.planning.tables import DataTable, data_tables, to_workbook

__all__ = [
    "DataTable",
    "PlannedRun",
    "Prediction",
    "data_tables",
    "planned_design",
    "predict",
    "required_plan",
    "run_order",
    "to_workbook",
]
