"""Links: how bytes reach a rig or a device, and how a broken link comes back."""
