"""Pictures as frames: rows to draw and words beside them. Renderers draw them and decide nothing."""
