"""Outputs: devices that are told what to do, and notices for whoever reads them."""
