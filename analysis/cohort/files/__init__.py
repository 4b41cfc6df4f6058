"""LOAD: files read and written, and the folder a cohort is kept in.

- ``readers``: Read a file of any origin into a table, or say in one message why that cannot be.
- ``file_formats``: Read workbooks and the files of statistics programs: Excel, SPSS, Stata, SAS.
- ``paths``: What a path must be before it is opened: no pipe, no folder, no name that no file can have.
- ``toml_file``: Read a TOML file that a person wrote, or say in one message why that cannot be.
- ``encodings``: The encoding of a text file, checked over the whole file before it is read.
- ``conversion``: Tables as read, of text, become tables of their types; what cannot be converted becomes a finding.
- ``data_package``: The folder format of a cohort: CSV or Parquet files with a Data Package descriptor.
- ``package_files``: The files of a cohort folder: written whole or not at all, read from within the folder only.
- ``package_schema``: The descriptor of a cohort folder, ``datapackage.json``: columns in Table Schema and back.
"""
