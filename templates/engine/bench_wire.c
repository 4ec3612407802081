/* The console: lines of text and their check sums, both ways, and the ring of lines that are kept
 * until the computer says that it has them. */
#include "bench_internal.h"

/* What follows a line's name, letter by letter:
 *   v the protocol's version   w a word             h HOW, or a pin
 *   d `first` in decimal       D `second` so        x `first` as a mask
 *   l `first` as a level       n the word's number in decimal
 *   t `first` in decimal, as thousandths
 *   f the flash chip's id      p the fingerprint that the word before it names */
struct line_form {
    char name[15], fields[4];
};

static const struct line_form line_forms[] = {
    [KEYC_BENCH_HELLO] = {"hello", "vwd"},
    [KEYC_BENCH_CAN_LINES] = {"can", "wx"},
    [KEYC_BENCH_CAN] = {"can", "wd"},
    [KEYC_BENCH_FLASH_ID] = {"flash-id", "f"},
    [KEYC_BENCH_FINGERPRINT] = {"fingerprint", "wp"},
    [KEYC_BENCH_ABOUT_TO_DRIVE] = {"about-to-drive", "h"},
    [KEYC_BENCH_LOW_LINES] = {"low-lines", "hx"},
    [KEYC_BENCH_RISE] = {"rise", "ht"},
    [KEYC_BENCH_NOT_RECOVERED] = {"not-recovered", "h"},
    [KEYC_BENCH_HELD_AGAINST] = {"held-against", "h"},
    [KEYC_BENCH_CHANGE] = {"change", "hxD"},
    [KEYC_BENCH_UNSTEADY] = {"unsteady", "d"},
    [KEYC_BENCH_FINISHED] = {"finished", "w"},
    [KEYC_BENCH_EDGE] = {"edge", "hlD"},
    [KEYC_BENCH_EDGES_LOST] = {"edges-lost", "d"},
    [KEYC_BENCH_MISSED] = {"missed", "d"},
    [KEYC_BENCH_REFUSED] = {"refused", "w"},
    [KEYC_BENCH_SWITCH_DOWN] = {"switch-down", "dD"},
    [KEYC_BENCH_SWITCH_UP] = {"switch-up", "dD"},
    [KEYC_BENCH_USAGE_DOWN] = {"usage-down", "ndD"},
    [KEYC_BENCH_USAGE_UP] = {"usage-up", "ndD"},
};

static const char words[KEYC_BENCH_WORDS][13] = {
    [KEYC_BENCH_WHO] = "who",
    [KEYC_BENCH_LOOK] = "look",
    [KEYC_BENCH_WATCH] = "watch",
    [KEYC_BENCH_RECEIVED] = "received",
    [KEYC_BENCH_SEND_AGAIN] = "send-again",
    [KEYC_BENCH_BLINK] = "blink",
    [KEYC_BENCH_HOLD_LOW] = "edges",
    [KEYC_BENCH_STOP] = "stop",
    [KEYC_BENCH_RESTART] = "restart",
    [KEYC_BENCH_CHANGES] = "change",
    [KEYC_BENCH_IMAGE] = "bench",
    [KEYC_BENCH_TRIAL_IMAGE] = "trial",
    [KEYC_BENCH_USABLE] = "pins",
    [KEYC_BENCH_LIT_HIGH] = "lit-high",
    [KEYC_BENCH_SETTLE] = "settle",
    [KEYC_BENCH_RING] = "ring",
    [KEYC_BENCH_SWITCHES] = "switches",
    [KEYC_BENCH_QUIET] = "quiet",
    [KEYC_BENCH_SOONEST] = "soonest",
    [KEYC_BENCH_WIRING] = "wiring",
    [KEYC_BENCH_KEYMAP] = "keymap",
    [KEYC_BENCH_ENGINE] = "engine",
    [KEYC_BENCH_UNKNOWN_WORD] = "unknown-word",
    [KEYC_BENCH_WRONG_FIELDS] = "wrong-fields",
    [KEYC_BENCH_WRONG_CRC] = "wrong-crc",
    [KEYC_BENCH_TOO_LONG] = "too-long",
    [KEYC_BENCH_PIN_NOT_FREE] = "pin-not-free",
    [KEYC_BENCH_NOT_KEPT] = "not-kept",
};

/* The fields of a command, and how many it must have at least:
 *   x a mask                n a number up to 65,535      h HOW: a pin, or `up` */
static const struct {
    char kinds[KEYC_BENCH_FIELDS + 1u];
    uint8_t least;
} command_forms[KEYC_BENCH_COMMANDS] = {
    [KEYC_BENCH_LOOK] = {.kinds = "x"},
    [KEYC_BENCH_WATCH] = {.kinds = "xn"},
    [KEYC_BENCH_RECEIVED] = {.kinds = "n", .least = 1},
    [KEYC_BENCH_SEND_AGAIN] = {.kinds = "n", .least = 1},
    [KEYC_BENCH_BLINK] = {.kinds = "n", .least = 1},
    [KEYC_BENCH_HOLD_LOW] = {.kinds = "hx", .least = 1},
};

_Static_assert((KEYC_BENCH_RING_LINES & (KEYC_BENCH_RING_LINES - 1u)) == 0 && KEYC_BENCH_RING_LINES <= 32768u,
               "a sequence number's place in the ring must not change when the number wraps");

/* CRC-32 of IEEE 802.3, four bits at a time. */
static uint32_t crc_32(const uint8_t *bytes, unsigned count)
{
    static const uint32_t of_nibble[16] = {
        0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
        0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
    };
    uint32_t crc = 0xFFFFFFFFu;
    for (unsigned n = 0; n < count; n++) {
        crc ^= bytes[n];
        crc = (crc >> 4) ^ of_nibble[crc & 15u];
        crc = (crc >> 4) ^ of_nibble[crc & 15u];
    }
    return ~crc;
}

/* -- to the computer ----------------------------------------------------------------------------- */

/* Longest line: `fingerprint keymap 0123456789AB 65535 *CBF43926`, 47 bytes. */
struct line_writer {
    uint8_t *bytes;
    uint8_t length;
};

static void put(struct line_writer *line, char character)
{
    line->bytes[line->length++] = (uint8_t)character;
}

static void put_text(struct line_writer *line, const char *text)
{
    while (*text != '\0') {
        put(line, *text++);
    }
}

static void put_hexadecimal(struct line_writer *line, uint32_t value, unsigned digits)
{
    while (digits-- != 0) {
        unsigned digit = (unsigned)(value >> (4u * digits)) & 15u;
        put(line, (char)(digit < 10u ? '0' + (int)digit : 'A' + (int)digit - 10));
    }
}

static void put_mask(struct line_writer *line, uint32_t mask)
{
    unsigned digits = 8;
    while (digits > 1 && (mask >> (4u * (digits - 1u))) == 0) {
        digits--;
    }
    put_hexadecimal(line, mask, digits);
}

/* By subtraction: the chip has no division instruction, and this file no library. */
static void put_number(struct line_writer *line, uint32_t value, bool of_thousandths)
{
    static const uint32_t powers[] = {1000000000u, 100000000u, 10000000u, 1000000u, 100000u,
                                      10000u,      1000u,      100u,      10u,      1u};
    bool begun = false;
    for (unsigned n = 0; n < sizeof powers / sizeof powers[0]; n++) {
        char digit = '0';
        while (value >= powers[n]) {
            value -= powers[n];
            digit++;
        }
        begun = begun || digit != '0' || powers[n] == (of_thousandths ? 1000u : 1u);
        if (begun) {
            put(line, digit);
        }
        if (of_thousandths && powers[n] == 1000u) {
            put(line, '.');
        }
    }
}

static void put_decimal(struct line_writer *line, uint32_t value)
{
    put_number(line, value, false);
}

static void put_bytes(struct line_writer *line, const uint8_t *bytes, unsigned count)
{
    for (unsigned n = 0; n < count; n++) {
        put_hexadecimal(line, bytes[n], 2);
    }
}

static const uint8_t *fingerprint_of(const struct keyc_bench_identity *identity, unsigned word)
{
    if (word == KEYC_BENCH_WIRING) {
        return identity->wiring;
    }
    return word == KEYC_BENCH_KEYMAP ? identity->keymap : identity->engine;
}

static void put_field(struct line_writer *line, const struct keyc_bench *bench,
                      const struct keyc_bench_line *said, char kind)
{
    put(line, ' ');
    switch (kind) {
    case 'v':
        put_decimal(line, KEYC_BENCH_PROTOCOL);
        break;
    case 'w':
        put_text(line, words[said->word]);
        break;
    case 'h':
        if (said->word < KEYC_BENCH_PINS) {
            put_decimal(line, said->word);
        } else {
            put_text(line, said->word == KEYC_BENCH_UP ? "up" : "down");
        }
        break;
    case 'n':
        put_decimal(line, said->word);
        break;
    case 'd':
        put_decimal(line, said->first);
        break;
    case 'D':
        put_decimal(line, said->second);
        break;
    case 't':
        put_number(line, said->first, true);
        break;
    case 'x':
        put_mask(line, said->first);
        break;
    case 'l':
        put_text(line, said->first != 0 ? "high" : "low");
        break;
    case 'f':
        put_bytes(line, bench->identity->flash_id, sizeof bench->identity->flash_id);
        break;
    default:
        put_bytes(line, fingerprint_of(bench->identity, said->word), sizeof bench->identity->wiring);
        break;
    }
}

static void spell(struct keyc_bench *bench, uint16_t sequence)
{
    const struct keyc_bench_line *said = &bench->ring[sequence & (KEYC_BENCH_RING_LINES - 1u)];
    const struct line_form *form = &line_forms[said->name];
    struct line_writer line = {bench->output, 0};
    uint32_t crc;
    put_text(&line, form->name);
    for (const char *kind = form->fields; *kind != '\0'; kind++) {
        put_field(&line, bench, said, *kind);
    }
    put(&line, ' ');
    put_decimal(&line, sequence);
    crc = crc_32(line.bytes, line.length);
    put_text(&line, " *");
    put_hexadecimal(&line, crc, 8);
    put(&line, '\n');
    bench->output_length = line.length;
    bench->output_sent = 0;
}

void keyc_bench_tell(struct keyc_bench *bench, unsigned name, unsigned word, uint32_t first, uint32_t second)
{
    struct keyc_bench_line *line = &bench->ring[bench->next & (KEYC_BENCH_RING_LINES - 1u)];
    if ((uint16_t)(bench->next - bench->oldest) == KEYC_BENCH_RING_LINES) {
        if (bench->unsent == bench->oldest) {
            bench->unsent++;
        }
        bench->oldest++;
        bench->missed++;
    }
    line->name = (uint8_t)name;
    line->word = (uint8_t)word;
    line->first = first;
    line->second = second;
    bench->next++;
}

void keyc_bench_tell_identity(struct keyc_bench *bench)
{
    keyc_bench_tell(bench, KEYC_BENCH_FLASH_ID, 0, 0, 0);
    keyc_bench_tell(bench, KEYC_BENCH_FINGERPRINT, KEYC_BENCH_WIRING, 0, 0);
    keyc_bench_tell(bench, KEYC_BENCH_FINGERPRINT, KEYC_BENCH_KEYMAP, 0, 0);
    keyc_bench_tell(bench, KEYC_BENCH_FINGERPRINT, KEYC_BENCH_ENGINE, 0, 0);
    keyc_bench_tell(bench, KEYC_BENCH_FINISHED, KEYC_BENCH_WHO, 0, 0);
}

void keyc_bench_write(struct keyc_bench *bench)
{
    const struct keyc_bench_port *port = bench->port;
    for (;;) {
        uint32_t left = (uint32_t)bench->output_length - bench->output_sent;
        if (left == 0) {
            if (bench->unsent == bench->next) {
                return;
            }
            spell(bench, bench->unsent++);
            continue;
        }
        left = port->port_console_write(port->lines.context, bench->output + bench->output_sent, left);
        if (left == 0) {
            return;
        }
        bench->output_sent = (uint8_t)(bench->output_sent + left);
    }
}

bool keyc_bench_all_sent(const struct keyc_bench *bench)
{
    const struct keyc_bench_port *port = bench->port;
    return bench->unsent == bench->next && bench->output_sent == bench->output_length &&
           port->port_console_empty(port->lines.context);
}

/* The computer has every line up to this one. A number that isn't kept changes nothing. */
void keyc_bench_forget(struct keyc_bench *bench, uint16_t sequence)
{
    uint16_t kept = (uint16_t)(bench->next - bench->oldest), had = (uint16_t)(sequence - bench->oldest);
    if (had >= kept) {
        return;
    }
    if ((uint16_t)(bench->unsent - bench->oldest) <= had) {
        bench->unsent = (uint16_t)(sequence + 1u);
    }
    bench->oldest = (uint16_t)(sequence + 1u);
    if (bench->missed != 0) {
        uint32_t missed = bench->missed;
        bench->missed = 0;
        keyc_bench_tell(bench, KEYC_BENCH_MISSED, 0, missed, 0);
    }
}

/* False when that line has been forgotten, or hasn't been said. */
bool keyc_bench_send_again(struct keyc_bench *bench, uint16_t sequence)
{
    uint16_t kept = (uint16_t)(bench->next - bench->oldest), from = (uint16_t)(sequence - bench->oldest);
    if (from > kept) {
        return false;
    }
    if (from < (uint16_t)(bench->unsent - bench->oldest)) {
        bench->unsent = sequence;
    }
    return true;
}

/* -- from the computer --------------------------------------------------------------------------- */

/* The value of a digit, or 16. */
static unsigned digit_value(uint8_t character)
{
    if (character >= '0' && character <= '9') {
        return (unsigned)character - '0';
    }
    character |= 0x20u;
    return character >= 'a' && character <= 'f' ? (unsigned)character - 'a' + 10u : 16u;
}

/* All of `count` characters as one number; false if they aren't one that fits. */
static bool number_in(const uint8_t *text, unsigned count, unsigned base, uint32_t *value)
{
    uint32_t sum = 0;
    if (count == 0) {
        return false;
    }
    for (unsigned n = 0; n < count; n++) {
        unsigned digit = digit_value(text[n]);
        if (digit >= base || (base == 16u && sum > UINT32_MAX >> 4) ||
            (base == 10u && (sum > 429496729u || (sum == 429496729u && digit > 5u)))) {
            return false;
        }
        sum = sum * base + digit;
    }
    *value = sum;
    return true;
}

static bool is_word(const uint8_t *text, unsigned count, const char *word)
{
    for (unsigned n = 0; n < count; n++) {
        if (word[n] == '\0' || text[n] != (uint8_t)word[n]) {
            return false;
        }
    }
    return word[count] == '\0';
}

/* Takes ` *CRC` off the end if it is there; false if it is there and wrong. */
static bool checked(const uint8_t *text, unsigned *length)
{
    uint32_t crc;
    for (unsigned n = 0; n < *length; n++) {
        if (text[n] == '*') {
            if (n == 0 || text[n - 1u] != ' ' || *length - n != 9u || !number_in(text + n + 1u, 8, 16, &crc) ||
                crc != crc_32(text, n - 1u)) {
                return false;
            }
            *length = n - 1u;
            return true;
        }
    }
    return true;
}

/* A blank too many does no harm when a person types. */
static unsigned after_blanks(const uint8_t *text, unsigned at, unsigned length)
{
    while (at < length && text[at] == ' ') {
        at++;
    }
    return at;
}

static unsigned after_word(const uint8_t *text, unsigned at, unsigned length)
{
    while (at < length && text[at] != ' ') {
        at++;
    }
    return at;
}

static bool field_in(const uint8_t *text, unsigned count, char kind, uint32_t *value)
{
    if (kind == 'h' && is_word(text, count, "up")) {
        *value = KEYC_BENCH_UP;
        return true;
    }
    if (!number_in(text, count, kind == 'x' ? 16u : 10u, value)) {
        return false;
    }
    return kind == 'x' || *value <= (kind == 'h' ? KEYC_BENCH_PINS - 1u : UINT16_MAX);
}

/* False if the fields that follow the command's word aren't what it takes. */
static bool fields_in(const uint8_t *text, unsigned length, struct keyc_bench_command *command)
{
    unsigned begin = 0, end;
    command->fields = 0;
    while ((begin = after_blanks(text, begin, length)) < length) {
        char kind = command_forms[command->word].kinds[command->fields];
        end = after_word(text, begin, length);
        if (kind == '\0' || !field_in(text + begin, end - begin, kind, &command->field[command->fields])) {
            return false;
        }
        command->fields++;
        begin = end;
    }
    return command->fields >= command_forms[command->word].least;
}

/* False when the line says nothing at all. */
static bool understand(const uint8_t *text, unsigned length, struct keyc_bench_command *command)
{
    unsigned begin = after_blanks(text, 0, length), end;
    command->word = KEYC_BENCH_UNKNOWN_WORD;
    if (begin == length) {
        return false;
    }
    if (!checked(text, &length)) {
        command->word = KEYC_BENCH_WRONG_CRC;
        return true;
    }
    end = after_word(text, begin, length);
    for (unsigned word = 0; word < KEYC_BENCH_COMMANDS; word++) {
        if (is_word(text + begin, end - begin, words[word])) {
            command->word = (uint8_t)word;
        }
    }
    if (command->word != KEYC_BENCH_UNKNOWN_WORD && !fields_in(text + end, length - end, command)) {
        command->word = KEYC_BENCH_WRONG_FIELDS;
    }
    return true;
}

/* Reads as far as the end of one line, so that commands wait their turn. CR ends a line as LF does:
 * a modem probe must not swallow what comes after it. */
bool keyc_bench_read(struct keyc_bench *bench, struct keyc_bench_command *command)
{
    const struct keyc_bench_port *port = bench->port;
    uint8_t byte;
    while (port->port_console_read(port->lines.context, &byte, 1) == 1) {
        if (byte != '\n' && byte != '\r') {
            if (bench->input_length == KEYC_BENCH_LINE_BYTES) {
                bench->input_too_long = true;
            } else {
                bench->input[bench->input_length++] = byte;
            }
            continue;
        }
        unsigned length = bench->input_length;
        bool too_long = bench->input_too_long;
        bench->input_length = 0;
        bench->input_too_long = false;
        if (too_long) {
            command->word = KEYC_BENCH_TOO_LONG;
            return true;
        }
        if (understand(bench->input, length, command)) {
            return true;
        }
    }
    return false;
}
