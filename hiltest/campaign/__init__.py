"""Many simulated boards: fault campaigns and detection tables."""
