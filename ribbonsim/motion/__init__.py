"""How a body moves: follow-through, travel and ground, on arrays alone."""
