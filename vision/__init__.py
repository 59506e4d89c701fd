"""From a clip to a track: cameras, surveyed marks, and the vehicle's pose with covariance."""
