"""The stage of fusing: one likelihood, maximised or sampled."""
