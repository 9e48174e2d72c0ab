"""Pictures of a rig: the only part of ribbonsim that knows a screen."""
