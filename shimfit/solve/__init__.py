"""Integer programs by HiGHS, behind what the planner asks of a solver."""
