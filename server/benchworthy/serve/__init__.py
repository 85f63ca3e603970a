"""The processes: web and listener, and the supervisor that starts both and ends with both."""
