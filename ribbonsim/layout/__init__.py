"""What the user decides: ribbons, stations, controls, poses, limits."""
