"""From the depth as logged to the depth below the lake datum, with its uncertainty."""
