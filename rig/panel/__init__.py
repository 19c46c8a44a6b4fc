"""The pump-side page: touches become requests, snapshots become pictures. Decides nothing."""
