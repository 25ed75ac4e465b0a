"""A plan to what it will show: simulated through the engine that will judge the study. No output."""
