"""Purposes: what a camera is wanted for, and how well it suits."""
