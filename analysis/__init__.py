"""From a track in metres to an attempt: motion, events, clearances, verdicts. Never sees a pixel."""
