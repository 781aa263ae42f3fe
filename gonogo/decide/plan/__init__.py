"""The day plan: verdicts, order of work, weather and entries made into the one record that every view shows."""
