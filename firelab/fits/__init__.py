"""Why: stage, clarity, heat work, observers."""
