"""Water: dose, truck and spray bar, who is served first, days ahead as they would be after watering."""
