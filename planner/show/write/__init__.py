"""Write: tables with a stated schema, GeoPackage, CSV, JSON and GeoTIFF; folders that are never half written."""
