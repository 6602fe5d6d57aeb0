"""A whole station on a virtual clock: rig, operator, links, devices, disk and the true hardware, around the real core."""
