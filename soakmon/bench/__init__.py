"""Running a soak on the bench: phases, guard, service, and the ports to the world."""
