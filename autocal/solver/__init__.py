"""From matches to a rig and how sure it is: `autocal.solver.staged` leads through the steps."""
