"""The order of work: options of each lift, a timetable of slots, the solver, the result."""
