"""firelab: plan test tiles of enamel, fire them, and find a window to trust."""
