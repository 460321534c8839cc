"""From an accepted picture to the pixels of its print: plan, resample, convert once, place."""
