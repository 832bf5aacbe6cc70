//! A table for a terminal of eighty columns: what doesn't fit beside each other stands below, behind the same first column.

/// Columns of a terminal that nobody made wider.
pub const ACROSS: usize = 80;
const BETWEEN: &str = "  ";

/// Heads and rows of as many cells each.
#[derive(Debug, Default)]
pub struct Table {
    pub heads: Vec<String>,
    pub rows: Vec<Vec<String>>,
}

impl Table {
    pub fn lines(&self) -> Vec<String> {
        let widths: Vec<usize> = (0..self.heads.len()).map(|column| self.width(column)).collect();
        let mut lines = Vec::new();
        for columns in beside_each_other(&widths) {
            if !lines.is_empty() {
                lines.push(String::new());
            }
            for row in std::iter::once(&self.heads).chain(&self.rows) {
                let cells = columns.iter().filter_map(|column| {
                    let cell = row.get(*column)?;
                    Some(format!("{cell}{}", " ".repeat(widths[*column].saturating_sub(cell.chars().count()))))
                });
                lines.push(cells.collect::<Vec<_>>().join(BETWEEN).trim_end().to_owned());
            }
        }
        lines
    }

    fn width(&self, column: usize) -> usize {
        let cells = std::iter::once(&self.heads).chain(&self.rows).filter_map(|row| row.get(column));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    }
}

/// Which columns stand beside each other: always the first, and as many as there is room for.
fn beside_each_other(widths: &[usize]) -> Vec<Vec<usize>> {
    let first = widths.first().copied().unwrap_or(0);
    let mut tables: Vec<Vec<usize>> = vec![vec![0]];
    let mut taken = first;
    for (column, width) in widths.iter().enumerate().skip(1) {
        let needs = BETWEEN.len() + width;
        match tables.last_mut() {
            Some(columns) if taken + needs <= ACROSS || columns.len() == 1 => columns.push(column),
            _ => {
                tables.push(vec![0, column]);
                taken = first;
            }
        }
        taken += needs;
    }
    tables
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_no_wider_than_the_terminal_and_leaves_nothing_out() {
        let row = |with: &str| (0..12).map(|column| format!("{with}{column} of some width")).collect::<Vec<_>>();
        let table = Table { heads: row("head"), rows: vec![row("a"), row("b")] };
        let lines = table.lines();
        assert!(lines.iter().all(|line| line.chars().count() <= ACROSS), "{lines:#?}");
        for column in 1..12 {
            let found = |with: &str| lines.iter().filter(|l| l.contains(&format!("{with}{column} of"))).count();
            assert_eq!((found("head"), found("a"), found("b")), (1, 1, 1), "{column}");
        }
        assert!(lines.iter().filter(|l| l.starts_with("head0 ")).count() > 1, "each table has the first column");
    }
}
