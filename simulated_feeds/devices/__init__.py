"""Devices that send what they measure, written from the protocol tables, and their faults."""
