// Package sheet reads events from a table: comma-separated values (RFC 4180), as spreadsheets write them, or a sheet of a workbook (.xlsx, ECMA-376).
//
// The header row names fields by the path that they have in the API: "lot", "occurredAt", "mined.mass". A heading with "[]" is a list
// of parts ("cut.stones[].lot"): each row gives one part, and a row in which only such cells are filled continues the event of the
// row above. An empty cell is a field that is not given. What spreadsheets do to a table is taken into account: a byte order mark,
// semicolons or tabs between cells, quoted cells, TRUE and FALSE, a decimal comma; where a comma could be either, the cell is refused.
//
// All problems of a table are told at once, each with its line and column. What is accepted is as strictly checked as any other event:
// internal/eventfile does that.
package sheet
