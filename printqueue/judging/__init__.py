"""Is this picture fit for that paper? Measures, the survey that takes them, the checks and the verdict."""
