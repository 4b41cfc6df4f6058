"""LOAD: files read and written, and the folder a cohort is kept in.

- ``readers``: Read a file of any origin into a table, or say in one message why that cannot be.
- ``header_rows``: Headers of several rows: how many there are, and the name that each column gets from them.
- ``file_formats``: Read workbooks and the files of statistics programs: Excel, SPSS, Stata, SAS.
- ``reading_apart``: Read a file in a process of its own: what crashes or hangs there ends in an error.
- ``foreign_formats``: What runs in that process: a file read with the library of its format, in portions.
- ``limits``: What reading one file may take, from its size: time, memory, cells, unpacked bytes.
- ``settings_files``: Texts that say how (maps, descriptors, rules, records), read within limits.
- ``paths``: What a path must be before it is opened: no pipe, no folder, no name that no file can have.
- ``encodings``: The encoding of a text file, checked over the whole file before it is read.
- ``conversion``: Tables as read, of text, become tables of their types; what cannot be converted becomes a finding.
- ``data_package``: The folder format of a cohort: CSV or Parquet files with a Data Package descriptor.
- ``package_reading``: A cohort folder read part by part, as far as it can be read: whole, or some of its patients and columns.
- ``selection``: What of a cohort folder is read: some patients with all their rows, some columns of a table.
- ``partition``: Cohort folders in parts: by which column of the patients, and which files hold the patients of which value.
- ``package_files``: The files of a cohort folder: written whole or not at all, read from within the folder only.
- ``package_schema``: The descriptor of a cohort folder, ``datapackage.json``: columns in Table Schema and back.
"""
