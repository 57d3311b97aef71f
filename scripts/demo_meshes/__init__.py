"""The demo venues, modelled by hand in venue coordinates: z up, metres, stage at positive y."""
