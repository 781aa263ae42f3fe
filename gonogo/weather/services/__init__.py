"""One open weather service a file: its request, its column map, its licence line. No I/O."""
