"""The probe: its geometry and pose, and the plan of the lines that it scans."""
