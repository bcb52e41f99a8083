"""Layout, overlay, encoder, the render loop."""
