"""The print simulated: a virtual machine and virtual cameras."""
