"""Keep GDAL to the few formats we read: import this before rasterio, pyogrio or geopandas.

GDAL opens a file by its content, not its name: a text file called `x.geojson` or `x.tif` may make
it read any other file of the machine or fetch an address of the network. Drivers can only be left
out before the library is loaded, through the environment.
"""

from __future__ import annotations

import os

#: Formats that stay.
KEPT = (
    "ESRI Shapefile", "GPKG", "GeoJSON", "GPX", "KML", "LIBKML", "CSV", "SQLite", "MEM", "Memory",
    "GTiff", "COG",
)  # fmt: skip

#: Every other driver of the GDAL builds inside rasterio 1.4 and pyogrio 0.13, frozen.
SKIPPED = (
    "AAIGrid,ACE2,ADBC,ADRG,AIG,AirSAR,AIVector,AmigoCloud,AVCBin,AVCE00,BAG,BIGGIF,"
    "BLX,BMP,BSB,BT,BYN,CALS,Carto,CEOS,COASP,COSAR,CPG,CSW,CTable2,CTG,DAAS,"
    "DERIVED,DGN,DIMAP,DIPEx,DOQ1,DOQ2,DTED,DXF,ECRGTOC,EDIGEO,EEDA,EEDAI,EHdr,EIR,"
    "ELAS,Elasticsearch,ENVI,ERS,ESAT,ESRIC,ESRIJSON,FAST,FIT,FlatGeobuf,GDALG,GenBin,"
    "GeoJSONSeq,GeoRSS,GFF,GIF,GML,GNMDatabase,GNMFile,GPSBabel,GRASSASCIIGrid,GRIB,"
    "GS7BG,GSAG,GSBG,GSC,GTFS,GTI,GTX,GXF,HDF5,HDF5Image,HF2,HFA,HTTP,Idrisi,ILWIS,"
    "IRIS,ISCE,ISG,ISIS2,ISIS3,JAXAPALSAR,JDEM,JML,JP2OpenJPEG,JPEG,JSONFG,"
    "KMLSUPEROVERLAY,KRO,L1B,LAN,LCP,Leveller,LOSLAS,LVBAG,MAP,MapInfo File,MapML,"
    "MBTiles,MFF,MFF2,MiraMonVector,MRF,MSGN,MVT,NDF,netCDF,NGSGEOID,NGW,NITF,NOAA_B,"
    "NSIDCbin,NTv2,NWT_GRC,NWT_GRD,OAPIF,ODS,OGCAPI,OGR_GMT,OGR_PDS,OGR_VRT,OpenFileGDB,"
    "OSM,OZI,PAux,PCIDSK,PCRaster,PDF,PDS,PDS4,PGDUMP,PLMOSAIC,PLSCENES,PMTiles,PNG,"
    "PNM,PRF,R,Rasterlite,RIK,RMF,ROI_PAC,RPFTOC,RRASTER,RS2,RST,S102,S104,S111,S57,"
    "SAFE,SAGA,SAR_CEOS,SDTS,Selafin,SENTINEL2,SGI,SIGDEM,SNAP_TIFF,SNODAS,SRP,SRTMHGT,"
    "STACIT,STACTA,SXF,Terragen,TGA,TIL,TopoJSON,TSX,USGSDEM,VDV,VFK,VICAR,VRT,WAsP,"
    "WCS,WEBP,WFS,WMS,WMTS,XLSX,XPM,XYZ,Zarr,ZMap"
)

GDAL_ENVIRONMENT = {
    "GDAL_SKIP": SKIPPED,
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "SHAPE_RESTORE_SHX": "NO",
    # Megabytes of raster kept in memory; else a twentieth of the machine, which may be too much.
    "GDAL_CACHEMAX": "256",
    # Each build lacks some of the drivers named above and would say so on stderr, every time.
    "CPL_LOG": os.devnull,
}


def guard_gdal() -> None:
    """Set the environment that GDAL reads when it is loaded."""
    os.environ.update(GDAL_ENVIRONMENT)


guard_gdal()
