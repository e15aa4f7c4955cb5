"""The composition root: tasks, clocks, start and stop order of a running monitor."""
