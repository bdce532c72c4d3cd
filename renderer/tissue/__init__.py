"""What phantoms are made of: materials with their sources, solids, scatterers and texture."""
