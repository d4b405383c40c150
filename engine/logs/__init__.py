"""From a recorded log to findings: read, name the channels, cut into stretches, look for features."""
