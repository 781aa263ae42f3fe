"""What mornings come to by soil class, deviation from optimum, weather and lift, beside what the guide says of each."""
