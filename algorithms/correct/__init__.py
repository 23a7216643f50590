"""Remove spikes, line offsets, drift and other faults of the walk."""
