"""What a person records on site: from a terminal, a CSV, a rain logger."""
