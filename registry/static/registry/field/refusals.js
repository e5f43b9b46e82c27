// What is refused, with the register's codes and words.

/** Something that a rule refuses: `code` is stable, the message says what to do. */
export class Refused extends Error {
  constructor(code, message, details = {}) {
    super(message);
    this.name = "Refused";
    this.code = code;
    this.details = details;
  }
}
