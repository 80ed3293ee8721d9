//! A table of cells as CSV, as Parquet, and its data dictionary.
//!
//! Parquet is written plainly: one row group, no compression, every column optional, so that any
//! reader takes it and the same rows give the same bytes. The dictionary travels inside as well,
//! under the key `narrows.dictionary`.

use std::sync::Arc;

use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use crate::report::table::{Row, quoted};
use crate::study::cohort::{Cell, Cohort, Kind, Rows};

/// A cell as text: a point in numbers, nothing where nothing is
fn text(cell: &Cell) -> String {
    match cell {
        Cell::Truth(value) => value.to_string(),
        Cell::Whole(value) => value.to_string(),
        Cell::Real(value) => value.to_string(),
        Cell::Text(value) => value.clone(),
        Cell::Missing(()) => String::new(),
    }
}

/// The table as CSV with a head line
pub fn table_csv(table: &Rows) -> String {
    let mut out = table.columns.iter().map(|column| quoted(column.0)).collect::<Vec<_>>().join(",");
    out.push('\n');
    for cells in &table.rows {
        let Some((first, rest)) = cells.split_first() else { continue };
        let mut row = Row::new(&text(first));
        for cell in rest {
            row.put(text(cell));
        }
        row.end(&mut out);
    }
    out
}

/// The meaning of every column of both tables, as CSV
pub fn dictionary_csv(cohort: &Cohort) -> String {
    let mut out = String::from("table,column,kind,unit,meaning\n");
    for (name, table) in [("jets", &cohort.jets), ("volumes", &cohort.volumes)] {
        for (column, kind, unit, meaning) in &table.columns {
            let mut row = Row::new(name);
            row.put(column).put(kind.word()).put(unit).put(meaning);
            row.end(&mut out);
        }
    }
    out
}

/// The table as a Parquet file
///
/// # Errors
/// What the writer says; a table whose rows are as long as its columns gives none.
pub fn table_parquet(table: &Rows) -> Result<Vec<u8>, ParquetError> {
    let fields = table.columns.iter().map(|(name, kind, _, _)| {
        let (physical, logical) = match kind {
            Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Kind::Whole => (Physical::INT64, None),
            Kind::Real => (Physical::DOUBLE, None),
            Kind::Truth => (Physical::BOOLEAN, None),
        };
        let builder = Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical);
        builder.build().map(Arc::new)
    });
    let fields = fields.collect::<Result<Vec<_>, _>>()?;
    let schema = Type::group_type_builder("narrows").with_fields(fields).build()?;
    let dictionary: Vec<serde_json::Value> = table
        .columns
        .iter()
        .map(|(name, kind, unit, meaning)| {
            serde_json::json!({"column": name, "kind": kind.word(), "unit": unit, "meaning": meaning})
        })
        .collect();
    let properties = WriterProperties::builder()
        .set_created_by(format!("narrows {}", env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(vec![KeyValue::new(
            "narrows.dictionary".to_owned(),
            serde_json::Value::from(dictionary).to_string(),
        )]))
        .build();
    let mut bytes = Vec::new();
    let mut writer = SerializedFileWriter::new(&mut bytes, Arc::new(schema), Arc::new(properties))?;
    let mut group = writer.next_row_group()?;
    let mut at = 0;
    while let Some(mut column) = group.next_column()? {
        let cells: Vec<&Cell> =
            table.rows.iter().map(|row| row.get(at).unwrap_or(&Cell::Missing(()))).collect();
        write_column(column.untyped(), &cells)?;
        column.close()?;
        at += 1;
    }
    group.close()?;
    writer.close()?;
    Ok(bytes)
}

/// Values that are there, and for every row whether one is (1) or not (0)
fn present<T>(cells: &[&Cell], take: impl Fn(&Cell) -> Option<T>) -> (Vec<T>, Vec<i16>) {
    let taken: Vec<Option<T>> = cells.iter().map(|cell| take(cell)).collect();
    let levels = taken.iter().map(|value| i16::from(value.is_some())).collect();
    (taken.into_iter().flatten().collect(), levels)
}

fn write_column(writer: &mut ColumnWriter<'_>, cells: &[&Cell]) -> Result<(), ParquetError> {
    let mismatch = || ParquetError::General("a column of a kind that tables do not have".into());
    match writer {
        ColumnWriter::BoolColumnWriter(writer) => {
            let (values, levels) = present(cells, |cell| match cell {
                Cell::Truth(value) => Some(*value),
                _ => None,
            });
            writer.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::Int64ColumnWriter(writer) => {
            let (values, levels) = present(cells, |cell| match cell {
                Cell::Whole(value) => Some(*value),
                _ => None,
            });
            writer.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::DoubleColumnWriter(writer) => {
            let (values, levels) = present(cells, |cell| match cell {
                Cell::Real(value) => Some(*value),
                // A whole number in a column of numbers stays that number.
                Cell::Whole(value) => Some(*value as f64),
                _ => None,
            });
            writer.write_batch(&values, Some(&levels), None)?;
        }
        ColumnWriter::ByteArrayColumnWriter(writer) => {
            let (values, levels) = present(cells, |cell| match cell {
                Cell::Missing(()) => None,
                other => Some(ByteArray::from(text(other).into_bytes())),
            });
            writer.write_batch(&values, Some(&levels), None)?;
        }
        _ => return Err(mismatch()),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture;
    use crate::study::cohort::{Outcome, assemble};

    fn cohort() -> Cohort {
        let (measured, failed) = (Outcome::of(&fixture::results()), Outcome::failed("no, \"colour\""));
        assemble([("a.dcm", "00ff", &measured), ("b, c.dcm", "", &failed)])
    }

    #[test]
    fn rows_are_as_long_as_the_head() {
        let cohort = cohort();
        for table in [&cohort.jets, &cohort.volumes] {
            assert!(table.rows.iter().all(|row| row.len() == table.columns.len()));
            let text = table_csv(table);
            let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
            assert_eq!(reader.headers().unwrap().len(), table.columns.len());
            // The reader refuses rows of another length.
            assert_eq!(reader.records().map(Result::unwrap).count(), table.rows.len());
        }
        let text = table_csv(&cohort.volumes);
        assert!(text.contains("\"b, c.dcm\"") && text.contains("\"no, \"\"colour\"\"\""));
        assert!(dictionary_csv(&cohort).lines().count() > 60);
    }

    #[test]
    fn a_binary_table_has_its_marks_and_repeats_itself() {
        let cohort = cohort();
        let bytes = table_parquet(&cohort.jets).unwrap();
        // "PAR1" at both ends (Apache Parquet file format).
        assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"));
        assert_eq!(bytes, table_parquet(&cohort.jets).unwrap());
        let empty = Rows { rows: Vec::new(), ..cohort.jets };
        assert!(table_parquet(&empty).unwrap().ends_with(b"PAR1"));
    }
}
