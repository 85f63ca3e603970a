"""The processes: web and listener, and the supervisor that starts them, starts them again, and ends them in order."""
