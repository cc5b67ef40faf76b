"""Templates, style and scripts of the pages; the style begins with the report's, so that both look alike."""
