/* FDC.C - 765-class controller without DMA and without its interrupt line.
 *
 * Everything waits with a limit, so that a missing disk ends in an error and not in a machine
 * that looks dead. Bytes of a sector come every 32 us at 250 kbit/s; C is too slow for them,
 * hence two loops in assembler.
 */
#include "rain.h"

__sfr __at 0xC0 FdcStatus;
__sfr __at 0xC1 FdcData;
__sfr __at 0xC2 FdcOutput;      /* motors, run, drive */
__sfr __at 0xC3 FdcRate;
__sfr __at 0xC4 FdcCount;       /* any access: terminal count */

#define RQM         0x80        /* FdcStatus */
#define DIO         0x40
#define BUSY        0x10

#define RUN_MOTOR_A 0x1C        /* motor A, INT gate, run, drive A */
#define RUN_ONLY    0x0C

#define C_SPECIFY   0x03
#define C_RECAL     0x07
#define C_SENSE     0x08
#define C_SEEK      0x0F
#define C_WRITE     0x45        /* MFM */
#define C_READ      0x46

#define RETRIES     3

BYTE FdcResult[7];
static BYTE resultCount;
static BYTE atCylinder = 0xFF;  /* 0xFF: nobody knows */

/* One turn of the inner loop is about a millisecond at 6 MHz. */
void Delay(WORD milliseconds)
{
    volatile BYTE n;

    while (milliseconds--)
        for (n = 0; n < 110; n++)
            ;
}

/* Wait until the controller wants a byte (0) or has one (DIO). */
static BYTE WaitFor(BYTE direction)
{
    WORD limit;

    for (limit = 5000; limit; limit--)
        if ((FdcStatus & (RQM | DIO)) == (RQM | direction))
            return DISK_OK;
    return DISK_TIMEOUT;
}

static BYTE Send(BYTE value)
{
    if (WaitFor(0))
        return DISK_TIMEOUT;
    FdcData = value;
    return DISK_OK;
}

/* Take result bytes as long as the controller has some. */
static BYTE TakeResult(void)
{
    resultCount = 0;
    while (resultCount < 7) {
        if (WaitFor(DIO))
            return DISK_TIMEOUT;
        FdcResult[resultCount++] = FdcData;
        Delay(1);
        if (!(FdcStatus & BUSY))
            return DISK_OK;
    }
    return DISK_TIMEOUT;
}

static BYTE Sense(void)
{
    if (Send(C_SENSE))
        return DISK_TIMEOUT;
    return TakeResult();
}

/* After a seek or a recalibration: ask until the drive has arrived. */
static BYTE Arrive(BYTE cylinder)
{
    WORD patience;

    for (patience = 0; patience < 400; patience++) {
        Delay(2);
        if (Sense())
            return DISK_TIMEOUT;
        if (FdcResult[0] == 0x80)       /* nothing to tell yet */
            continue;
        if ((FdcResult[0] & 0xF8) == 0x20 && FdcResult[1] == cylinder)
            return DISK_OK;
        return DISK_SEEK;
    }
    return DISK_TIMEOUT;
}

static BYTE Recalibrate(void)
{
    BYTE again;

    for (again = 0; again < 2; again++) {       /* 77 steps may not be enough */
        if (Send(C_RECAL) || Send(0))
            return DISK_TIMEOUT;
        if (Arrive(0) == DISK_OK) {
            atCylinder = 0;
            return DISK_OK;
        }
    }
    return DISK_SEEK;
}

static BYTE Seek(BYTE cylinder)
{
    BYTE error;

    if (cylinder == atCylinder)
        return DISK_OK;
    atCylinder = 0xFF;
    if (Send(C_SEEK) || Send(0) || Send(cylinder))
        return DISK_TIMEOUT;
    error = Arrive(cylinder);
    if (error)
        return error;
    Delay(15);                          /* the head settles */
    atCylinder = cylinder;
    return DISK_OK;
}

BYTE FdcStart(void)
{
    BYTE drive;

    FdcOutput = 0;
    Delay(1);
    FdcOutput = RUN_MOTOR_A;
    FdcRate = 2;                        /* 250 kbit/s */
    Delay(3);
    for (drive = 0; drive < 4; drive++) /* reset makes an interrupt a drive */
        if (Sense())
            return DISK_TIMEOUT;
    if (Send(C_SPECIFY) || Send(0xD1) || Send(0x05))    /* 6 ms steps, no DMA */
        return DISK_TIMEOUT;
    Delay(500);                         /* spin up */
    return Recalibrate();
}

void FdcStop(void)
{
    FdcOutput = RUN_ONLY;
}

/* HL: buffer. Ends after 512 bytes, at the result phase or after half a second. */
static void TakeSector(BYTE *buffer) __naked
{
    (void)buffer;
    __asm
        ld      bc, #0x00C1
        ld      de, #0
        ld      a, #2
take1:  push    af
take2:  dec     de
        ld      a, d
        or      a, e
        jr      z, take9
        in      a, (0xC0)
        add     a, a
        jr      nc, take2
        add     a, a
        jp      p, take9        ; no longer in the execution phase
        ini
        jp      nz, take2
        pop     af
        dec     a
        jr      nz, take1
        ret
take9:  pop     af
        ret
    __endasm;
}

static void GiveSector(BYTE *buffer) __naked
{
    (void)buffer;
    __asm
        ld      bc, #0x00C1
        ld      de, #0
        ld      a, #2
give1:  push    af
give2:  dec     de
        ld      a, d
        or      a, e
        jr      z, give9
        in      a, (0xC0)
        add     a, a
        jr      nc, give2
        add     a, a
        jp      p, give9
        outi
        jp      nz, give2
        pop     af
        dec     a
        jr      nz, give1
        ret
give9:  pop     af
        ret
    __endasm;
}

static BYTE Command(BYTE code, BYTE cylinder, BYTE sector)
{
    return Send(code) || Send(0) || Send(cylinder) || Send(0) || Send(sector) || Send(2) ||
           Send(9) || Send(27) || Send(0xFF);
}

static BYTE Transfer(BYTE code, BYTE cylinder, BYTE sector, BYTE *buffer)
{
    BYTE tries, error = DISK_DATA;

    for (tries = 0; tries < RETRIES; tries++) {
        if (atCylinder == 0xFF && Recalibrate())
            continue;
        error = Seek(cylinder);
        if (error)
            continue;
        if (Command(code, cylinder, sector))
            return DISK_TIMEOUT;
        if (code == C_READ)
            TakeSector(buffer);
        else
            GiveSector(buffer);
        FdcCount = 0;
        error = TakeResult();
        if (error)
            return error;
        if ((FdcResult[0] & 0xC0) == 0)
            return DISK_OK;
        error = DISK_DATA;
        atCylinder = 0xFF;
    }
    return error;
}

BYTE FdcReadSector(BYTE cylinder, BYTE sector, BYTE *buffer)
{
    return Transfer(C_READ, cylinder, sector, buffer);
}

BYTE FdcWriteSector(BYTE cylinder, BYTE sector, BYTE *buffer)
{
    return Transfer(C_WRITE, cylinder, sector, buffer);
}
