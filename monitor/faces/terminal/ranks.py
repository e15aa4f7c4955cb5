"""The ranks of the rows of the screen: what goes first when the screen is small has the highest number."""

RANK_FAILURE, RANK_CLAIM, RANK_TARGET, RANK_HOURS, RANK_COVERAGE = 1, 3, 4, 4, 6
RANK_READS, RANK_DETAIL, RANK_ALERT, RANK_LOT, RANK_INTAKE = 8, 9, 10, 11, 12
RANK_BY_LOT, RANK_CHIP = 13, 14
RANK_PLAN, RANK_CAUTION = 5, 12
